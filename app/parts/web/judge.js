// One photo to judge: zoom, move, and mark the places where something is seen.
class Judge {
  constructor(root) {
    this.root = root;
    this.view = ONE;
    this.marks = [];
  }

  build(data) {
    this.data = data;
    this.view = ONE;
    this.marks = [];
    const picture = el("img", { src: data.url, alt: data.alt, draggable: "false" });
    this.stage = el("div", { class: "stage" }, picture);
    this.glass = el("div", { class: "glass", tabindex: "0", role: "application", "aria-label": `${data.alt}. Plus and minus zoom, arrows move, Enter marks the middle.` }, this.stage, el("span", { class: "middle", "aria-hidden": "true" }));
    // The whole photo is seen at once: as wide as there is room, and never higher than that.
    this.glass.style.aspectRatio = `${data.width} / ${data.height}`;
    this.glass.style.maxWidth = `calc(70vh * ${data.width / data.height})`;
    this.status = el("span", { class: "told", "aria-live": "polite" });
    const tools = el(
      "div",
      { class: "tools" },
      tool("plus", "Zoom in", () => this.zoom(STEP)),
      tool("minus", "Zoom out", () => this.zoom(1 / STEP)),
      tool("fit", "Whole photo", () => this.look(ONE)),
      tool("left", "Take the last mark back", () => this.keep(this.marks.slice(0, -1)), { text: "Last mark" }),
      this.status,
    );
    this.listen();
    this.root.replaceChildren(el("section", { class: "judge", "aria-label": data.label }, tools, this.glass));
    this.paint();
  }

  listen() {
    const glass = this.glass;
    glass.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? STEP : 1 / STEP, this.at(event));
    }, { passive: false });
    const held = new Map();
    let moved = 0;
    glass.addEventListener("pointerdown", (event) => {
      glass.setPointerCapture(event.pointerId);
      held.set(event.pointerId, this.at(event));
      if (held.size === 1) moved = 0;
    });
    glass.addEventListener("pointermove", (event) => {
      if (!held.has(event.pointerId)) return;
      const before = held.get(event.pointerId);
      const now = this.at(event);
      moved += Math.hypot(now.x - before.x, now.y - before.y);
      if (held.size === 2) {
        const other = [...held].find(([id]) => id !== event.pointerId)[1];
        const apart = (one) => Math.hypot(one.x - other.x, one.y - other.y) || 1e-6;
        moved += 1;
        this.zoom(apart(now) / apart(before), other);
      } else {
        this.look(after(shift(now.x - before.x, now.y - before.y), this.view));
      }
      held.set(event.pointerId, now);
    });
    const release = (event) => {
      const alone = held.size === 1;
      if (!held.delete(event.pointerId) || event.type === "pointercancel") return;
      if (alone && moved < 0.012) this.mark(this.at(event));
    };
    glass.addEventListener("pointerup", release);
    glass.addEventListener("pointercancel", release);
    glass.addEventListener("keydown", (event) => this.press(event));
  }

  press(event) {
    const steps = { ArrowLeft: [0.07, 0], ArrowRight: [-0.07, 0], ArrowUp: [0, 0.07], ArrowDown: [0, -0.07] };
    if (event.key === "+" || event.key === "=") this.zoom(STEP);
    else if (event.key === "-") this.zoom(1 / STEP);
    else if (event.key === "0") this.look(ONE);
    else if (event.key === "Enter") this.mark(CENTRE);
    else if (steps[event.key]) this.look(after(shift(...steps[event.key]), this.view));
    else return;
    event.preventDefault();
  }

  at(event) {
    const box = this.glass.getBoundingClientRect();
    return { x: (event.clientX - box.left) / box.width, y: (event.clientY - box.top) / box.height };
  }

  zoom(factor, about = CENTRE) {
    this.look(after(zoomAbout(factor, about), this.view));
  }

  look(view) {
    this.view = hold(view);
    this.paint();
  }

  // A tap near a mark takes it away, any other makes one.
  mark(at) {
    const back = inverse(this.view);
    const place = [clamp(back.s * at.x + back.tx, 0, 1), clamp(back.s * at.y + back.ty, 0, 1)];
    const near = this.marks.findIndex(([x, y]) => Math.hypot(x - place[0], y - place[1]) * this.view.s < 0.03);
    this.keep(near >= 0 ? this.marks.filter((_, number) => number !== near) : [...this.marks, place]);
  }

  keep(marks) {
    this.marks = marks;
    this.send("marks", marks);
    this.paint();
  }

  paint() {
    const { s, tx, ty } = this.view;
    this.stage.style.transform = `translate(${tx * 100}%, ${ty * 100}%) scale(${s})`;
    this.glass.querySelectorAll(".spot").forEach((spot) => spot.remove());
    this.marks.forEach(([x, y], number) => {
      const place = `left:${(s * x + tx) * 100}%;top:${(s * y + ty) * 100}%`;
      this.glass.append(el("span", { class: "spot", style: place, "aria-hidden": "true" }, String(number + 1)));
    });
    const count = this.marks.length;
    this.status.textContent = count ? `${count} ${count === 1 ? "place" : "places"} marked` : "Tap where you see it";
  }
}

export default function ({ data, parentElement, setStateValue }) {
  const root = parentElement.querySelector(".root");
  root.judge ??= new Judge(root);
  root.judge.send = setStateValue;
  if (root.shows === data.url) return;
  root.shows = data.url;
  root.judge.build(data);
}
