// Several pictures under one glass: a zoom or pan of one is a zoom or pan of all.
//
// Frames: a view maps a pane (1 wide, 1 high) onto itself: x' = s·x + tx, y' = s·y + ty.
// The shared view V acts on all panes; each pane has an offset view O of its own, changed
// only while unlocked. What is seen is V∘O, so the lock holds whatever the offsets are.
const ONE = { s: 1, tx: 0, ty: 0 };
const DEEPEST = 60;
const STEP = 1.3;
const after = (outer, inner) => ({
  s: outer.s * inner.s,
  tx: outer.s * inner.tx + outer.tx,
  ty: outer.s * inner.ty + outer.ty,
});
const inverse = (view) => ({ s: 1 / view.s, tx: -view.tx / view.s, ty: -view.ty / view.s });
const zoomAbout = (factor, at) => ({ s: factor, tx: at.x * (1 - factor), ty: at.y * (1 - factor) });
const shift = (dx, dy) => ({ s: 1, tx: dx, ty: dy });
const hold = (view) => {
  const s = clamp(view.s, 1, DEEPEST);
  return { s, tx: clamp(view.tx, 1 - s, 0), ty: clamp(view.ty, 1 - s, 0) };
};
const CENTRE = { x: 0.5, y: 0.5 };
let lastOutsideWheel = 0;

class Viewer {
  constructor(root) {
    this.root = root;
    this.view = ONE;
    this.locked = true;
    this.panes = [];
    this.shown = null;
  }

  // New references beside the same query keep the place that the eye is at.
  build(data) {
    const before = new Map(this.panes.map((pane) => [`${pane.data.key} ${pane.data.url}`, pane]));
    const sameQuery = before.has(`${data.panes[0].key} ${data.panes[0].url}`);
    if (!sameQuery) {
      this.view = ONE;
      this.locked = true;
    }
    this.data = data;
    this.dark = data.panes.some((pane) => pane.dark);
    this.panes = data.panes.map((pane, number) => this.pane(pane, number));
    for (const pane of this.panes) {
      const old = sameQuery && before.get(`${pane.data.key} ${pane.data.url}`);
      if (old) [pane.offset, pane.turn] = [old.offset, old.turn];
    }
    const keys = this.panes.filter((pane) => pane.reference).map((pane) => pane.data.key);
    const first = this.panes.find((pane) => pane.reference && pane.img)?.data.key ?? keys[0] ?? null;
    this.shown = data.beside ?? (sameQuery && keys.includes(this.shown) ? this.shown : first);
    this.box = el("div", { class: "viewer", role: "group", "aria-label": data.label });
    this.box.append(this.toolbar(), this.besides(), el("div", { class: "panes", style: `--count:${this.panes.length}` }, ...this.panes.map((pane) => pane.node)));
    this.box.append(el("p", { class: "how", id: "how" }, "Scroll, pinch or press + and − to zoom; drag or use the arrow keys to move; double-click to go in, 0 to see the whole. " + (this.panes.length > 1 ? "The circle marks the same place in the other pictures. Unlock to bring two pictures into step by hand, then lock again." : "")));
    this.status = el("span", { class: "hush", "aria-live": "polite" });
    this.root.replaceChildren(this.box, this.status);
    this.resizer?.disconnect();
    this.resizer = new ResizeObserver(() => this.paint());
    this.panes.forEach((pane) => this.resizer.observe(pane.glass));
    this.paint();
  }

  toolbar() {
    this.readout = el("output", { class: "zoom", "aria-label": "Zoom" });
    this.lockButton = tool("locked", "Move the pictures together", () => this.setLock(!this.locked), { text: "Locked", keys: "L" });
    const alone = this.panes.length < 2;
    const full = tool("fill", "Fill the screen", () => this.fill(), { keys: "F" });
    full.hidden = !document.fullscreenEnabled;
    this.lockButton.hidden = alone;
    this.darkButton = tool("dark", "Dark surround, for UV-A pictures", () => this.setDark(!this.dark), { text: "Dark surround" });
    return el(
      "div",
      { class: "tools", role: "toolbar", "aria-label": "Zoom and position" },
      tool("minus", "Zoom out", () => this.act(zoomAbout(1 / STEP, CENTRE)), { keys: "-" }),
      this.readout,
      tool("plus", "Zoom in", () => this.act(zoomAbout(STEP, CENTRE)), { keys: "+" }),
      tool("fit", "See the whole picture", () => this.reset(), { text: "Whole", keys: "0" }),
      tool(null, "One picture pixel to one screen pixel", () => this.toPixels(), { text: "1 : 1", keys: "1" }),
      this.lockButton,
      tool("right", alone ? "Turn the photo by a quarter" : "Turn your photo by a quarter", () => this.turn(), { text: "Turn", keys: "R" }),
      el("span", { class: "push" }),
      tool("save", "Save what is seen as a picture", () => this.save(), { text: "Save picture" }),
      this.darkButton,
      full,
    );
  }

  besides() {
    const references = this.panes.filter((pane) => pane.reference);
    this.choices = references.map((pane) =>
      el("button", { type: "button", class: "tool", role: "radio", onclick: () => this.show(pane.data.key) }, svg(14, ...(SHAPES[pane.data.standing] ?? [])), el("span", {}, pane.data.short)),
    );
    const group = el("div", { class: "tools beside", role: "radiogroup", "aria-label": "Reference beside your photo" }, ...this.choices);
    group.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (!step) return;
      event.preventDefault();
      const now = references.findIndex((pane) => pane.data.key === this.shown);
      const next = (now + step + references.length) % references.length;
      this.show(references[next].data.key);
      this.choices[next].focus();
    });
    group.hidden = references.length < 2;
    return group;
  }

  pane(data, number) {
    const stage = el("div", { class: "stage" });
    const cross = el("div", { class: "cross" });
    const tag = el("div", { class: "tag", "aria-hidden": "true" }, badge(data.standing, data.short));
    const glass = el("div", { class: "glass", "aria-label": data.alt, role: data.url ? "application" : "img" }, stage, cross, tag);
    const pane = { data, glass, stage, cross, offset: ONE, turn: data.turn ?? 0, img: null, reference: number > 0, touches: new Map() };
    if (data.url) {
      pane.img = el("img", { alt: "", src: data.url, draggable: "false", decoding: "async" });
      stage.append(pane.img);
      glass.tabIndex = 0;
      glass.setAttribute("aria-describedby", "how");
      glass.setAttribute("aria-roledescription", "zoomable picture");
      this.listen(pane);
    } else {
      glass.append(el("div", { class: "none" }, data.missing ?? "No picture"));
    }
    pane.node = el(
      "figure",
      { class: `pane ${pane.reference ? "reference" : "query"}`, "data-key": data.key },
      glass,
      el(
        "figcaption",
        {},
        el("div", {}, badge(data.standing, data.heading)),
        data.name ? el("div", { class: "name" }, data.name) : null,
        ...(data.facts ?? []).map((fact) => el("div", { class: "fact" }, fact)),
        ...(data.cautions ?? []).map((caution) => el("div", { class: "warn" }, caution)),
      ),
    );
    return pane;
  }

  listen(pane) {
    const { glass } = pane;
    glass.addEventListener("wheel", (event) => this.wheel(pane, event), { passive: false });
    glass.addEventListener("pointerdown", (event) => this.press(pane, event));
    glass.addEventListener("pointermove", (event) => this.move(pane, event));
    for (const name of ["pointerup", "pointercancel"]) glass.addEventListener(name, (event) => this.release(pane, event));
    glass.addEventListener("pointerleave", () => this.panes.forEach((other) => other.cross.classList.remove("seen")));
    glass.addEventListener("dblclick", (event) => this.act(zoomAbout(event.shiftKey ? 0.5 : 2, this.place(pane, event)), pane));
    glass.addEventListener("keydown", (event) => this.key(pane, event));
  }

  place(pane, event) {
    const rect = pane.glass.getBoundingClientRect();
    return { x: (event.clientX - rect.left) / rect.width, y: (event.clientY - rect.top) / rect.height };
  }

  wheel(pane, event) {
    // A page scroll that runs into the glass stays a page scroll; so does scrolling on
    // when the whole picture is already seen.
    const pageScroll = performance.now() - lastOutsideWheel < 220;
    const nothingToDo = this.locked && this.view.s <= 1 && event.deltaY > 0;
    if (!event.ctrlKey && (pageScroll || nothingToDo)) {
      lastOutsideWheel = performance.now();
      return;
    }
    event.preventDefault();
    const unit = event.deltaMode === 1 ? 18 : 1;
    this.act(zoomAbout(Math.exp(-clamp(event.deltaY * unit, -240, 240) * (event.ctrlKey ? 0.01 : 0.0022)), this.place(pane, event)), pane);
  }

  press(pane, event) {
    if (event.button > 0) return;
    pane.touches.set(event.pointerId, this.place(pane, event));
    if (event.pointerType !== "touch" || this.view.s > 1 || !this.locked || pane.touches.size > 1) pane.glass.setPointerCapture(event.pointerId);
    pane.glass.classList.add("held");
  }

  move(pane, event) {
    const at = this.place(pane, event);
    if (event.pointerType === "mouse") this.point(pane, at);
    const before = pane.touches.get(event.pointerId);
    if (!before) return;
    const other = [...pane.touches].find(([id]) => id !== event.pointerId)?.[1];
    pane.touches.set(event.pointerId, at);
    if (!other) return this.act(shift(at.x - before.x, at.y - before.y), pane);
    const { width, height } = pane.glass.getBoundingClientRect();
    const span = (p) => Math.hypot((p.x - other.x) * width, (p.y - other.y) * height);
    const middle = (p) => ({ x: (p.x + other.x) / 2, y: (p.y + other.y) / 2 });
    const [from, to] = [middle(before), middle(at)];
    this.act(after(shift(to.x - from.x, to.y - from.y), zoomAbout(span(at) / Math.max(span(before), 1), from)), pane);
  }

  release(pane, event) {
    pane.touches.delete(event.pointerId);
    if (!pane.touches.size) pane.glass.classList.remove("held");
  }

  point(pane, at) {
    for (const other of this.panes) {
      const seen = other !== pane && other.img;
      other.cross.classList.toggle("seen", Boolean(seen));
      if (!seen) continue;
      other.cross.style.left = `${at.x * 100}%`;
      other.cross.style.top = `${at.y * 100}%`;
    }
  }

  key(pane, event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const far = event.shiftKey ? 0.25 : 0.08;
    const acts = {
      "+": () => this.act(zoomAbout(STEP, CENTRE), pane),
      "=": () => this.act(zoomAbout(STEP, CENTRE), pane),
      "-": () => this.act(zoomAbout(1 / STEP, CENTRE), pane),
      _: () => this.act(zoomAbout(1 / STEP, CENTRE), pane),
      ArrowLeft: () => this.act(shift(far, 0), pane),
      ArrowRight: () => this.act(shift(-far, 0), pane),
      ArrowUp: () => this.act(shift(0, far), pane),
      ArrowDown: () => this.act(shift(0, -far), pane),
      0: () => this.reset(),
      1: () => this.toPixels(),
      l: () => this.setLock(!this.locked),
      r: () => this.turn(),
      f: () => this.fill(),
    };
    const act = acts[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }

  act(gesture, pane = null) {
    if (this.locked || !pane) this.view = hold(after(gesture, this.view));
    else {
      const moved = after(inverse(this.view), after(gesture, after(this.view, pane.offset)));
      pane.offset = { s: clamp(moved.s, 0.2, 12), tx: clamp(moved.tx, -6, 6), ty: clamp(moved.ty, -6, 6) };
    }
    this.paint();
  }

  reset() {
    this.view = ONE;
    for (const pane of this.panes) pane.offset = ONE;
    this.paint();
  }

  toPixels() {
    const query = this.panes[0];
    const fitted = this.fitted(query);
    if (!fitted) return;
    const wanted = query.data.width / (fitted.width * window.devicePixelRatio);
    const middle = { x: (0.5 - this.view.tx) / this.view.s, y: (0.5 - this.view.ty) / this.view.s };
    const s = clamp(wanted, 1, DEEPEST);
    this.view = hold({ s, tx: 0.5 - s * middle.x, ty: 0.5 - s * middle.y });
    this.paint();
  }

  turn() {
    this.panes[0].turn = (this.panes[0].turn + 1) % 4;
    this.paint();
  }

  setLock(locked) {
    this.locked = locked;
    this.lockButton.replaceChildren(icon(locked ? "locked" : "unlocked"), el("span", {}, locked ? "Locked" : "Unlocked"));
    this.status.textContent = locked ? "Pictures move together" : "Pictures move one by one";
    this.paint();
  }

  setDark(dark) {
    this.dark = dark;
    this.paint();
  }

  show(key) {
    this.shown = key;
    this.paint();
  }

  fill() {
    if (document.fullscreenElement) document.exitFullscreen();
    else this.box.requestFullscreen?.();
  }

  // What is seen, with captions and the caution, as one PNG file.
  save() {
    const seen = this.panes.filter((pane) => pane.img && pane.glass.clientWidth);
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
      this.draw(pen, pane, left, gap);
      const { heading, name, facts = [] } = pane.data;
      [heading, name, ...facts].filter(Boolean).slice(0, 6).forEach((text, row) => {
        pen.fillStyle = "#1c1c1c";
        pen.font = `${row < 2 ? "bold " : ""}14px sans-serif`;
        pen.fillText(text, left, gap + pane.glass.clientHeight + 20 + row * 19, pane.glass.clientWidth);
      });
      left += pane.glass.clientWidth + gap;
    }
    pen.font = "12px sans-serif";
    pen.fillText(this.data.footnote, gap, tall - 8, wide - 2 * gap);
    sheet.toBlob((blob) => {
      const address = URL.createObjectURL(blob);
      el("a", { href: address, download: "loupebook-comparison.png" }).click();
      setTimeout(() => URL.revokeObjectURL(address), 10000);
    });
  }

  draw(pen, pane, left, top) {
    const { clientWidth: width, clientHeight: height } = pane.glass;
    const { s, tx, ty } = after(this.view, pane.offset);
    const fitted = this.fitted(pane);
    pen.save();
    pen.beginPath();
    pen.rect(left, top, width, height);
    pen.clip();
    pen.fillStyle = getComputedStyle(pane.glass).backgroundColor;
    pen.fillRect(left, top, width, height);
    pen.translate(left + tx * width, top + ty * height);
    pen.scale(s, s);
    pen.translate(width / 2, height / 2);
    pen.rotate((pane.turn * Math.PI) / 2);
    pen.imageSmoothingEnabled = fitted.scale * s <= 3;
    pen.drawImage(pane.img, -fitted.width / 2, -fitted.height / 2, fitted.width, fitted.height);
    pen.restore();
  }

  // As high as the highest picture needs at this width, so that little is left over.
  measure() {
    const seen = this.panes.filter((pane) => pane.glass.clientWidth);
    const needs = seen.filter((pane) => pane.img).map((pane) => {
      const [w, h] = pane.turn % 2 ? [pane.data.height, pane.data.width] : [pane.data.width, pane.data.height];
      return (pane.glass.clientWidth * h) / w;
    });
    const stacked = seen.length > 1 && seen[0].glass.getBoundingClientRect().left === seen[1].glass.getBoundingClientRect().left;
    const most = window.innerHeight * (stacked ? 0.36 : 0.6);
    this.box.style.setProperty("--tall", `${Math.round(clamp(Math.max(...needs, 0) + 24, 210, Math.max(most, 230)))}px`);
  }

  fitted(pane) {
    const { clientWidth: width, clientHeight: height } = pane.glass;
    if (!pane.img || !width || !height) return null;
    const sideways = pane.turn % 2 === 1;
    const [w, h] = sideways ? [pane.data.height, pane.data.width] : [pane.data.width, pane.data.height];
    const scale = Math.min(width / w, height / h);
    return { width: pane.data.width * scale, height: pane.data.height * scale, scale };
  }

  paint() {
    this.measure();
    this.box.classList.toggle("deep", this.view.s > 1 || !this.locked);
    this.box.classList.toggle("dark", this.dark);
    this.darkButton.setAttribute("aria-pressed", String(this.dark));
    this.lockButton.setAttribute("aria-pressed", String(this.locked));
    this.readout.textContent = `${this.view.s.toFixed(this.view.s < 10 ? 1 : 0)} ×`;
    this.panes.filter((pane) => pane.reference).forEach((pane, number) => {
      const shown = pane.data.key === this.shown;
      pane.node.classList.toggle("shown", shown);
      this.choices[number].setAttribute("aria-checked", String(shown));
      this.choices[number].tabIndex = shown ? 0 : -1;
    });
    for (const pane of this.panes) {
      const fitted = this.fitted(pane);
      if (!fitted) continue;
      const seen = after(this.view, pane.offset);
      pane.stage.style.transform = `translate(${seen.tx * pane.glass.clientWidth}px, ${seen.ty * pane.glass.clientHeight}px) scale(${seen.s})`;
      pane.img.style.width = `${fitted.width}px`;
      pane.img.style.height = `${fitted.height}px`;
      pane.img.style.transform = `translate(-50%, -50%) rotate(${pane.turn * 90}deg)`;
      pane.img.classList.toggle("pixels", fitted.scale * seen.s > 3);
    }
  }
}

export default function (component) {
  const { data, parentElement } = component;
  const root = parentElement.querySelector(".root");
  const viewer = (root.viewer ??= new Viewer(root));
  const mark = JSON.stringify(data);
  if (root.mark !== mark) {
    root.mark = mark;
    viewer.build(data);
  }
  const outside = (event) => {
    if (!event.composedPath().some((node) => node.classList?.contains("glass"))) lastOutsideWheel = performance.now();
  };
  window.addEventListener("wheel", outside, { passive: true, capture: true });
  return () => window.removeEventListener("wheel", outside, { capture: true });
}
