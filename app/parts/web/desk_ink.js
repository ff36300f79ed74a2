// What is drawn over the pictures: scale bar, ruler, protractor, rings round places.
const BARS_MM = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100];

class Ink {
  constructor() {
    this.node = svg(0);
    this.node.removeAttribute("viewBox");
    this.node.classList.add("ink");
  }

  // layer: where frame px lie; marks: { pxPerMm, apart (see slackOf), tape, rings }
  draw(layer, { pxPerMm, apart, tape, rings }) {
    this.node.replaceChildren();
    this.width = layer?.width ?? 0;
    if (!layer?.source || !layer.width || layer.box.hidden) return;
    for (const ring of rings) this.ring(layer, ring);
    if (tape) this.tape(layer, tape, pxPerMm, apart);
    if (pxPerMm) this.bar(layer, pxPerMm);
  }

  add(tag, attributes, text = null) {
    const shape = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) shape.setAttribute(name, value);
    if (text !== null) shape.textContent = text;
    this.node.append(shape);
    return shape;
  }

  // Dark below light, so that a line is seen on any print.
  line(points) {
    const d = points.map(({ x, y }, number) => `${number ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
    this.add("path", { d, class: "under" });
    this.add("path", { d, class: "over" });
  }

  label(left, y, text) {
    const x = clamp(left, 6, Math.max(6, this.width - text.length * 7.6 - 8));
    const words = this.add("text", { x, y, class: "label" }, text);
    const plate = this.add("rect", { x: x - 5, y: y - 15, width: text.length * 7.6 + 10, height: 21, rx: 2, class: "plate" });
    this.node.append(plate, words);
  }

  bar(layer, pxPerMm) {
    const aMm = layer.magnification * pxPerMm;
    const most = Math.min(170, 0.4 * layer.width);
    const mm = BARS_MM.filter((length) => length * aMm <= most).at(-1) ?? BARS_MM[0];
    const [left, down] = [12, layer.height - 14];
    const right = left + mm * aMm;
    this.label(left + 5, down - 9, `${mm} mm`);
    this.line([{ x: left, y: down - 5 }, { x: left, y: down }, { x: right, y: down }, { x: right, y: down - 5 }]);
  }

  ring(layer, { x, y, radius, name, strong }) {
    const at = layer.toPane(x + 0.5, y + 0.5);
    const r = Math.max(10, radius * layer.magnification);
    this.add("circle", { cx: at.x, cy: at.y, r, class: strong ? "under strong" : "under" });
    this.add("circle", { cx: at.x, cy: at.y, r, class: strong ? "over strong" : "over" });
    if (name) this.label(at.x + r * 0.72 + 6, at.y - r * 0.72, name);
  }

  tape(layer, { kind, points }, pxPerMm, apart) {
    const at = points.map(({ x, y }) => layer.toPane(x, y));
    this.line(at);
    if (kind === "ruler") {
      const long = Math.hypot(points[1].x - points[0].x, points[1].y - points[0].y);
      const middle = { x: (at[0].x + at[1].x) / 2, y: (at[0].y + at[1].y) / 2 };
      return this.label(middle.x + 8, middle.y - 10, lengthText(long, pxPerMm, slackOf(layer, apart)));
    }
    this.label(at[1].x + 14, at[1].y + 24, `${angleBetween(points).toFixed(1)}°`);
  }
}

// How far a length may be read wrongly, frame px: either end by a px of the picture or of the
// screen, whichever is greater, and by what the picture lies beside its place in the frame.
function slackOf(layer, apart) {
  return Math.SQRT2 * Math.hypot(Math.max(1, 1 / layer.magnification), apart);
}

function lengthText(px, pxPerMm, slack) {
  const [length, off, unit] = pxPerMm ? [px / pxPerMm, slack / pxPerMm, "mm"] : [px, slack, "px"];
  const digits = Math.max(0, -Math.floor(Math.log10(Number(off.toPrecision(1)))));
  return `${length.toFixed(digits)} ± ${off.toFixed(digits)} ${unit}`;
}

function angleBetween([first, corner, second]) {
  const way = (point) => Math.atan2(point.y - corner.y, point.x - corner.x);
  const between = Math.abs(way(first) - way(second)) * (180 / Math.PI);
  return between > 180 ? 360 - between : between;
}
