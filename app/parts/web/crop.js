// The part of a photo to search with: a rectangle or four corners, by mouse, touch or keys.
//
// Frame: corners are fractions (x across, y down) of the photo *as shown*, that is after
// `turns` clockwise quarter turns, clockwise from the top left.
const WHOLE = [[0, 0], [1, 0], [1, 1], [0, 1]];
const CORNER_NAMES = ["Top left corner", "Top right corner", "Bottom right corner", "Bottom left corner"];
const SIDE_NAMES = ["Top edge", "Right edge", "Bottom edge", "Left edge"];
const LEAST = 0.03;
const MAGNIFY = 3;

class Crop {
  constructor(root) {
    this.root = root;
  }

  build(data, send) {
    this.data = data;
    this.send = send;
    this.turns = data.turns ?? 0;
    this.mode = data.mode ?? "box";
    this.corners = (data.corners ?? WHOLE).map((corner) => [...corner]);
    this.img = el("img", { src: data.url, alt: "", draggable: "false" });
    this.lines = svg(0);
    this.lines.removeAttribute("viewBox");
    this.lines.classList.add("lines");
    this.body = el("div", { class: "body" });
    this.drag(this.body, (dx, dy) => this.shiftAll(dx, dy));
    this.grips = [...CORNER_NAMES.keys()].map((index) => this.grip(index, false));
    this.sides = [...SIDE_NAMES.keys()].map((index) => this.grip(index, true));
    this.loupeImage = el("img", { src: data.url, alt: "" });
    this.glassy = el("div", { class: "glassy" }, this.loupeImage);
    this.loupe = el("div", { class: "loupe", hidden: true }, this.glassy);
    this.frame = el("div", { class: "frame" }, el("div", { class: "photo" }, this.img), this.lines, this.body, ...this.sides, ...this.grips, this.loupe);
    this.bed = el("div", { class: "bed", role: "group", "aria-label": data.alt }, this.frame);
    this.status = el("span", { class: "hush", "aria-live": "polite" });
    this.root.replaceChildren(
      el(
        "div",
        { class: "crop" },
        this.toolbar(),
        this.bed,
        this.key(),
        el("p", { class: "how" }, `Drag a handle, or move to it with the Tab key and use the arrow keys (Shift for larger steps).${data.upright ? "" : " Four corners also straighten a slanted photo."}`),
      ),
      this.status,
    );
    this.resizer?.disconnect();
    this.resizer = new ResizeObserver(() => this.paint());
    this.resizer.observe(this.bed);
    this.paint();
  }

  // The search tells the desk first where the item lies.
  async follow(base) {
    if (!base || this.followed === base) return;
    this.followed = base;
    let told = null;
    await followDesk(base, {
      wanted: () => !told && this.root.isConnected && this.followed === base,
      onState: (state) => (told = state.told),
      onGone: () => {},
    });
    if (told?.found && this.followed === base) this.tell({ ...this.data, found: told.found });
  }

  // What the outlines mean; the item as found is drawn dashed.
  key() {
    const { found, found_words: item, part_words: part } = this.data;
    return el("p", { class: "key" }, part ? el("span", {}, el("i", { class: "whole" }), part) : null, item && found ? el("span", {}, el("i", { class: "dashed" }), item) : null);
  }

  tell(data) {
    this.data = data;
    this.root.querySelector(".key").replaceWith(this.key());
    this.root.querySelector(".tools").replaceWith(this.toolbar());
    this.paint();
  }

  toolbar() {
    this.modeButtons = [["box", "Rectangle"], ["corners", "Four corners"]].map(([mode, label]) =>
      el("button", { type: "button", class: "tool", "data-mode": mode, onclick: () => this.setMode(mode) }, label),
    );
    return el(
      "div",
      { class: "tools", role: "toolbar", "aria-label": "Crop and turn" },
      this.data.upright ? null : tool("left", "Turn left by a quarter", () => this.turn(-1)),
      this.data.upright ? null : tool("right", "Turn right by a quarter", () => this.turn(1)),
      ...this.modeButtons,
      tool("whole", this.data.upright ? "Use the whole image" : "Use the whole photo", () => this.reset(), { text: this.data.upright ? "Whole image" : "Whole photo" }),
      this.data.found ? tool(null, "Use the outline of the item as found", () => this.useFound(), { text: "Use found outline" }) : null,
      el("button", { type: "button", class: "tool chief", onclick: () => this.emit() }, this.data.action),
    );
  }

  grip(index, side) {
    const node = el("button", { type: "button", class: side ? "grip side" : "grip", "data-grip": `${side ? "side" : "corner"}-${index}` });
    const move = (dx, dy) => (side ? this.moveSide(index, dx, dy) : this.moveCorner(index, dx, dy));
    this.drag(node, move, () => this.gripPlace(index, side));
    node.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 0.05 : 0.005;
      const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (event.key === "Enter") return;
      if (!way) return;
      event.preventDefault();
      move(...way);
      this.magnify(this.gripPlace(index, side));
    });
    node.addEventListener("blur", () => (this.loupe.hidden = true));
    return node;
  }

  drag(node, move, place = null) {
    let from = null;
    node.addEventListener("pointerdown", (event) => {
      if (event.button > 0) return;
      event.preventDefault();
      node.focus({ preventScroll: true });
      node.setPointerCapture(event.pointerId);
      from = [event.clientX, event.clientY];
      if (place) this.magnify(place());
    });
    node.addEventListener("pointermove", (event) => {
      if (!from) return;
      const { width, height } = this.frame.getBoundingClientRect();
      move((event.clientX - from[0]) / width, (event.clientY - from[1]) / height);
      from = [event.clientX, event.clientY];
      if (place) this.magnify(place());
    });
    for (const name of ["pointerup", "pointercancel"])
      node.addEventListener(name, () => {
        from = null;
        this.loupe.hidden = true;
      });
  }

  gripPlace(index, side) {
    const a = this.corners[index];
    if (!side) return a;
    const b = this.corners[(index + 1) % 4];
    return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  }

  box() {
    const xs = this.corners.map((corner) => corner[0]);
    const ys = this.corners.map((corner) => corner[1]);
    return { left: Math.min(...xs), right: Math.max(...xs), top: Math.min(...ys), bottom: Math.max(...ys) };
  }

  setBox({ left, top, right, bottom }) {
    this.corners = [[left, top], [right, top], [right, bottom], [left, bottom]];
    this.paint();
  }

  moveCorner(index, dx, dy) {
    if (this.mode === "corners") {
      const moved = this.corners.map((corner) => [...corner]);
      moved[index] = [clamp(moved[index][0] + dx, 0, 1), clamp(moved[index][1] + dy, 0, 1)];
      if (convex(moved)) this.corners = moved;
      return this.paint();
    }
    const box = this.box();
    this.stretch(box, index === 0 || index === 3 ? "left" : "right", dx);
    this.stretch(box, index < 2 ? "top" : "bottom", dy);
    this.setBox(box);
  }

  moveSide(index, dx, dy) {
    const box = this.box();
    const name = ["top", "right", "bottom", "left"][index];
    this.stretch(box, name, index % 2 ? dx : dy);
    this.setBox(box);
  }

  stretch(box, name, by) {
    if (name === "left") box.left = clamp(box.left + by, 0, box.right - LEAST);
    if (name === "right") box.right = clamp(box.right + by, box.left + LEAST, 1);
    if (name === "top") box.top = clamp(box.top + by, 0, box.bottom - LEAST);
    if (name === "bottom") box.bottom = clamp(box.bottom + by, box.top + LEAST, 1);
  }

  shiftAll(dx, dy) {
    const { left, right, top, bottom } = this.box();
    const x = clamp(dx, -left, 1 - right);
    const y = clamp(dy, -top, 1 - bottom);
    this.corners = this.corners.map((corner) => [corner[0] + x, corner[1] + y]);
    this.paint();
  }

  turn(way) {
    const clockwise = ([x, y]) => [1 - y, x];
    const counter = ([x, y]) => [y, 1 - x];
    const moved = this.corners.map(way > 0 ? clockwise : counter);
    this.corners = way > 0 ? [moved[3], moved[0], moved[1], moved[2]] : [moved[1], moved[2], moved[3], moved[0]];
    this.turns = (this.turns + way + 4) % 4;
    this.status.textContent = `Photo turned by ${this.turns * 90} degrees`;
    this.paint();
  }

  setMode(mode) {
    this.mode = mode;
    if (mode === "box") this.setBox(this.box());
    else this.paint();
  }

  reset() {
    this.corners = WHOLE.map((corner) => [...corner]);
    this.mode = "box";
    this.paint();
  }

  useFound() {
    this.turns = 0;
    this.mode = "corners";
    this.corners = this.data.found.map(([x, y]) => [clamp(x, 0, 1), clamp(y, 0, 1)]);
    this.paint();
  }

  emit() {
    this.send({ corners: this.corners, turns: this.turns, mode: this.mode });
  }

  magnify([x, y]) {
    this.loupe.hidden = false;
    const half = 58;
    const { width, height } = this;
    this.loupe.style.left = `${clamp(x * width - half - 4, -20, width - 104)}px`;
    this.loupe.style.top = `${y * height > 150 ? y * height - 160 : y * height + 34}px`;
    this.glassy.style.cssText = `width:${width * MAGNIFY}px;height:${height * MAGNIFY}px;left:${half - x * width * MAGNIFY}px;top:${half - y * height * MAGNIFY}px`;
  }

  paint() {
    const sideways = this.turns % 2 === 1;
    const [w, h] = sideways ? [this.data.height, this.data.width] : [this.data.width, this.data.height];
    const style = getComputedStyle(this.bed);
    const room = this.bed.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
    const tall = clamp(window.innerHeight * 0.38, 190, 400);
    const scale = Math.min(room / w, tall / h);
    if (!(scale > 0)) return;
    [this.width, this.height] = [w * scale, h * scale];
    this.frame.style.width = `${this.width}px`;
    this.frame.style.height = `${this.height}px`;
    for (const [image, by] of [[this.img, 1], [this.loupeImage, MAGNIFY]]) {
      image.style.width = `${this.data.width * scale * by}px`;
      image.style.height = `${this.data.height * scale * by}px`;
      image.style.transform = `translate(-50%, -50%) rotate(${this.turns * 90}deg)`;
    }
    this.paintLines();
    this.paintGrips();
    this.modeButtons.forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.mode === this.mode)));
  }

  paintLines() {
    const path = (points) => `M${points.map(([x, y]) => `${x * this.width} ${y * this.height}`).join("L")}Z`;
    const shapes = [["shade", path(WHOLE) + path(this.corners)], ["halo", path(this.corners)], ["edge", path(this.corners)]];
    if (this.data.found && this.turns === 0) shapes.splice(1, 0, ["foundhalo", path(this.data.found)], ["found", path(this.data.found)]);
    this.lines.replaceChildren(
      ...shapes.map(([name, d]) => {
        const node = document.createElementNS(SVG, "path");
        node.setAttribute("class", name);
        node.setAttribute("d", d);
        node.setAttribute("fill-rule", "evenodd");
        return node;
      }),
    );
  }

  paintGrips() {
    const box = this.box();
    this.body.style.cssText = `left:${box.left * 100}%;top:${box.top * 100}%;width:${(box.right - box.left) * 100}%;height:${(box.bottom - box.top) * 100}%`;
    const put = (node, [x, y], name) => {
      node.style.left = `${x * 100}%`;
      node.style.top = `${y * 100}%`;
      node.setAttribute("aria-label", `${name}, ${Math.round(x * 100)} % across, ${Math.round(y * 100)} % down`);
    };
    this.grips.forEach((node, index) => put(node, this.corners[index], CORNER_NAMES[index]));
    this.sides.forEach((node, index) => {
      node.hidden = this.mode !== "box";
      put(node, this.gripPlace(index, true), SIDE_NAMES[index]);
    });
  }
}

// Four corners must stay a convex, clockwise four-cornered shape, or they name no item.
function convex(corners) {
  return corners.every((corner, index) => {
    const [next, later] = [corners[(index + 1) % 4], corners[(index + 2) % 4]];
    return (next[0] - corner[0]) * (later[1] - next[1]) - (next[1] - corner[1]) * (later[0] - next[0]) > 0.0005;
  });
}

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector(".root");
  const crop = (root.crop ??= new Crop(root));
  // The outline that a search finds comes later, and so does the region that was sent: what a
  // person has drawn meanwhile stays.
  const { found, follow, corners, turns, mode, ...photo } = data;
  const mark = JSON.stringify(photo);
  crop.send = (region) => setStateValue("region", region);
  if (root.mark !== mark) {
    root.mark = mark;
    crop.build(data, crop.send);
  } else if (JSON.stringify(found) !== JSON.stringify(crop.data.found)) {
    crop.tell(data);
  }
  crop.follow(follow);
}
