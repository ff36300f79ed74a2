// What is seen under a glass, with captions and the caution, as one PNG file.
function saveView(glass) {
  const seen = glass.allPanes().filter((pane) => !pane.data.missing && pane.glass.clientWidth);
  const density = Math.min(Math.max(window.devicePixelRatio, 2), 3);
  const [gap, words] = [16, 150];
  const wide = seen.reduce((sum, pane) => sum + pane.glass.clientWidth + gap, gap);
  const tall = seen[0].glass.clientHeight + words + 2 * gap;
  const sheet = el("canvas", { width: wide * density, height: tall * density });
  const pen = sheet.getContext("2d");
  pen.scale(density, density);
  pen.fillStyle = "#ffffff";
  pen.fillRect(0, 0, wide, tall);
  let left = gap;
  for (const pane of seen) {
    drawPane(pen, pane, left, gap);
    const { heading, name, facts = [] } = pane.data;
    [heading, name, ...facts].filter(Boolean).slice(0, 6).forEach((text, row) => {
      pen.fillStyle = "#1c1c1c";
      pen.font = `${row < 2 ? "bold " : ""}14px sans-serif`;
      pen.fillText(text, left, gap + pane.glass.clientHeight + 20 + row * 19, pane.glass.clientWidth);
    });
    left += pane.glass.clientWidth + gap;
  }
  pen.font = "12px sans-serif";
  pen.fillText(glass.data.footnote, gap, tall - 8, wide - 2 * gap);
  sheet.toBlob((blob) => {
    const address = URL.createObjectURL(blob);
    el("a", { href: address, download: "loupebook-comparison.png" }).click();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
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
  for (const layer of pane.layers) if (layer.source && !layer.box.hidden) drawLayer(pen, layer, left, top);
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
  pen.filter = getComputedStyle(layer.box).filter.includes("url") ? "none" : getComputedStyle(layer.box).filter;
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
    pen.globalAlpha = Number(layer.map.style.opacity || 1);
    pen.drawImage(layer.map, -w / 2, -h / 2, w, h);
  }
  pen.restore();
}
