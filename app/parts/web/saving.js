// What is seen under a glass, with captions and the caution, as one PNG file.
const [SAVED_GAP, SAVED_ROW] = [16, 19];
const [PLAIN, BOLD, SMALL] = ["14px sans-serif", "bold 14px sans-serif", "12px sans-serif"];

function saveView(glass) {
  const seen = glass.allPanes().filter((pane) => !pane.data.missing && pane.glass.clientWidth);
  const density = Math.min(Math.max(window.devicePixelRatio, 2), 3);
  const sheet = el("canvas");
  const pen = sheet.getContext("2d");
  const pictures = seen[0].glass.clientHeight;
  const wide = seen.reduce((sum, pane) => sum + pane.glass.clientWidth + SAVED_GAP, SAVED_GAP);
  const captions = seen.map((pane) => rowsOf(pen, glass.savedWords(pane), pane.glass.clientWidth));
  const foot = rowsOf(pen, [[SMALL, glass.data.footnote]], wide - 2 * SAVED_GAP);
  const footTop = pictures + 3 * SAVED_GAP + SAVED_ROW * Math.max(...captions.map((rows) => rows.length));
  const tall = footTop + SAVED_ROW * foot.length + SAVED_GAP / 2;
  // Sizing a canvas forgets how it draws, so it comes after the words were measured.
  Object.assign(sheet, { width: wide * density, height: tall * density });
  pen.scale(density, density);
  pen.fillStyle = "#ffffff";
  pen.fillRect(0, 0, wide, tall);
  let left = SAVED_GAP;
  seen.forEach((pane, number) => {
    drawPane(pen, pane, left, SAVED_GAP);
    writeRows(pen, captions[number], left, 2 * SAVED_GAP + pictures, pane.glass.clientWidth);
    left += pane.glass.clientWidth + SAVED_GAP;
  });
  writeRows(pen, foot, SAVED_GAP, footTop, wide - 2 * SAVED_GAP);
  sheet.toBlob((blob) => {
    const address = URL.createObjectURL(blob);
    el("a", { href: address, download: "loupebook-comparison.png" }).click();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
  });
}

// What stands below the picture of a pane, each part with its font.
function wordsOf({ heading, name, facts = [], cautions = [] }) {
  const parts = [[BOLD, heading], [BOLD, name], ...[...facts, ...cautions].map((text) => [PLAIN, text])];
  return parts.filter(([, text]) => text);
}

// Parts broken into rows no wider than that; a word that alone is wider is squeezed as it is written.
function rowsOf(pen, parts, width) {
  return parts.flatMap(([font, text]) => {
    pen.font = font;
    const rows = [];
    for (const word of text.trim().split(/\s+/)) {
      const longer = rows.length ? `${rows.at(-1)} ${word}` : word;
      if (rows.length && pen.measureText(longer).width <= width) rows[rows.length - 1] = longer;
      else rows.push(word);
    }
    return rows.map((row) => [font, row]);
  });
}

function writeRows(pen, rows, left, top, width) {
  pen.fillStyle = "#1c1c1c";
  rows.forEach(([font, row], number) => {
    pen.font = font;
    pen.fillText(row, left, top + SAVED_ROW * number + 12, width);
  });
}

function drawPane(pen, pane, left, top) {
  const { clientWidth: width, clientHeight: height } = pane.glass;
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.fillStyle = getComputedStyle(pane.glass).backgroundColor;
  pen.fillRect(left, top, width, height);
  const seen = (layer) => layer.source && !layer.box.hidden && getComputedStyle(layer.box).visibility !== "hidden";
  for (const layer of pane.layers.filter(seen)) drawLayer(pen, layer, left, top);
  pen.restore();
}

function drawLayer(pen, layer, left, top) {
  const { seen, scale, source, turn, width, height } = layer;
  pen.save();
  if (layer.cut !== undefined) {
    pen.beginPath();
    pen.rect(left, top, layer.cut * width, height);
    pen.clip();
  }
  const light = getComputedStyle(layer.box).filter;
  const shown = light.includes("url") ? "none" : light;
  pen.filter = !layer.box.classList.contains("greyed") ? shown : shown === "none" ? "grayscale(1)" : `grayscale(1) ${shown}`;
  pen.translate(left + seen.tx * width, top + seen.ty * height);
  pen.scale(seen.s, seen.s);
  pen.translate(width / 2, height / 2);
  pen.rotate((turn * Math.PI) / 2);
  pen.imageSmoothingEnabled = layer.magnification <= 3 * Math.max(...source.levels);
  const [w, h] = [source.width * scale, source.height * scale];
  for (const { img, loaded } of [...layer.tiles.values()].sort((one, other) => one.level - other.level)) {
    if (!loaded || !img.naturalWidth) continue;
    const part = (text) => parseFloat(text) / 100;
    pen.drawImage(img, (part(img.style.left) - 0.5) * w, (part(img.style.top) - 0.5) * h, part(img.style.width) * w, part(img.style.height) * h);
  }
  if (layer.map?.complete && !layer.map.hidden) {
    pen.filter = shown;
    pen.globalAlpha = Number(layer.map.style.opacity || 1);
    pen.drawImage(layer.map, -w / 2, -h / 2, w, h);
  }
  pen.restore();
}
