// Several pictures under one glass: a zoom or pan of one is a zoom or pan of all.
//
// The shared view V acts on all panes; each pane has an offset view O of its own, changed
// only while unlocked. What is seen is V∘O, so the lock holds whatever the offsets are.
let lastOutsideWheel = 0;
const FRAME_PX = 10;
// What the page says and what the desk's state says need not come in one order.
const inOrder = (_, value) => (value && typeof value === "object" && !Array.isArray(value) ? Object.fromEntries(Object.entries(value).sort()) : value);
const markOf = (value) => JSON.stringify(value, inOrder);
const seenLayer = (pane) => pane.layers.find((layer) => !layer.box.hidden);

class Glass {
  constructor(root) {
    this.root = root;
    this.view = ONE;
    this.locked = true;
    this.panes = [];
    this.shown = null;
  }

  // New references beside the same query keep the place that the eye is at, and panes that
  // stay as they are keep their pictures.
  build(data) {
    const held = this.heldPane()?.data.key;
    const before = new Map(this.panes.map((pane) => [markOf(pane.data), pane]));
    const sameQuery = before.has(markOf(data.panes[0]));
    if (!sameQuery) {
      this.view = ONE;
      this.locked = true;
      this.dark = false;
    }
    // A UV-A picture that comes onto the desk darkens it; whoever lights it up keeps it so.
    if (data.panes.some((pane) => pane.dark && !before.has(markOf(pane)))) this.dark = true;
    this.data = data;
    this.panes = data.panes.map((pane, number) => (sameQuery && before.get(markOf(pane))) || this.pane(pane, number));
    const keys = this.panes.filter((pane) => pane.reference).map((pane) => pane.data.key);
    const first = this.panes.find((pane) => pane.reference && !pane.data.missing)?.data.key ?? keys[0] ?? null;
    this.shown = data.beside ?? (sameQuery && keys.includes(this.shown) ? this.shown : first);
    this.box = el("div", { class: "viewer", role: "group", "aria-label": data.label });
    this.box.append(...this.parts());
    this.status = el("span", { class: "hush", "aria-live": "polite" });
    this.root.replaceChildren(this.box, this.status);
    this.resizer?.disconnect();
    this.resizer = new ResizeObserver(() => this.paint());
    this.allPanes().forEach((pane) => this.resizer.observe(pane.glass));
    this.paint();
    if (held) (this.allPanes().find((pane) => pane.data.key === held && pane.glass.clientWidth) ?? this.eye())?.glass.focus({ preventScroll: true });
  }

  moveInto(root) {
    this.root = root;
    root.replaceChildren(this.box, this.status);
    return this;
  }

  // The first pane that is seen; of several layers one that is seen.
  eye() {
    return this.allPanes().find((pane) => pane.glass.clientWidth && seenLayer(pane)?.source);
  }

  // The pane that has the focus.
  heldPane() {
    const held = this.root.getRootNode().activeElement;
    return held && this.allPanes().find((pane) => pane.glass.contains(held));
  }

  // What the box holds, from top to bottom.
  parts() {
    return [this.toolbar(), this.besides(), this.paneGrid(), this.hint()];
  }

  paneGrid() {
    return el("div", { class: "panes", style: `--count:${Math.min(this.panes.length, 4)}` }, ...this.allPanes().map((pane) => pane.node));
  }

  hint() {
    const several = this.panes.length > 1 ? "The circle marks the same place in the other pictures. Unlock to bring two pictures into step by hand, then lock again." : "";
    return el("p", { class: "how", id: "how" }, `Scroll, pinch or press + and − to zoom; drag or use the arrow keys to move; double-click to go in, 0 to see the whole. ${several}`);
  }

  allPanes() {
    return this.panes;
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
      tool("save", "Save what is seen as a picture", () => saveView(this), { text: "Save picture" }),
      this.darkButton,
      full,
    );
  }

  besides() {
    const references = this.panes.filter((pane) => pane.reference);
    this.choices = references.map((pane) =>
      el("button", { type: "button", class: "tool", role: "radio", onclick: () => this.show(pane.data.key) }, svg(14, ...(SHAPES[pane.data.standing] ?? [])), el("span", {}, pane.data.short)),
    );
    this.group = radioGroup("Reference beside your photo", this.choices);
    this.group.classList.add("beside");
    this.group.hidden = references.length < 2;
    return this.group;
  }

  pane(data, number) {
    const layer = new Layer();
    const cross = el("div", { class: "cross" });
    const tag = el("div", { class: "tag", "aria-hidden": "true" }, badge(data.standing, data.short));
    const glass = el("div", { class: "glass", "aria-label": data.alt, role: data.missing ? "img" : "application" }, layer.box, cross, tag);
    const pane = { data, glass, layers: [layer], cross, offset: ONE, turn: data.turn ?? 0, reference: number > 0, touches: new Map() };
    if (data.missing) glass.append(el("div", { class: "none" }, data.missing));
    else {
      layer.show(this.sourceOf(pane));
      this.listen(pane);
    }
    pane.node = el("figure", { class: `pane ${pane.reference ? "reference" : "query"}`, "data-key": data.key }, glass, this.caption(data));
    return pane;
  }

  sourceOf({ data }) {
    return { key: data.url, width: data.width, height: data.height, levels: [1], tile: Math.max(data.width, data.height), url: () => data.url };
  }

  caption(data) {
    return el(
      "figcaption",
      {},
      el("div", {}, badge(data.standing, data.heading)),
      data.name ? el("div", { class: "name" }, data.name) : null,
      ...(data.facts ?? []).map((fact) => el("div", { class: "fact" }, fact)),
      ...(data.cautions ?? []).map((caution) => el("div", { class: "warn" }, caution)),
    );
  }

  // What a saved picture says below a pane.
  savedWords(pane) {
    return wordsOf(pane.data);
  }

  listen(pane) {
    const { glass } = pane;
    glass.tabIndex = 0;
    glass.setAttribute("aria-describedby", "how");
    glass.setAttribute("aria-roledescription", "zoomable picture");
    glass.addEventListener("wheel", (event) => this.wheel(pane, event), { passive: false });
    glass.addEventListener("pointerdown", (event) => this.press(pane, event));
    glass.addEventListener("pointermove", (event) => this.move(pane, event));
    for (const name of ["pointerup", "pointercancel"]) glass.addEventListener(name, (event) => this.release(pane, event));
    glass.addEventListener("pointerleave", () => this.panes.forEach((other) => other.cross.classList.remove("seen")));
    glass.addEventListener("dblclick", (event) => this.act(zoomAbout(event.shiftKey ? 0.5 : 2, this.spot(pane, event)), pane));
    glass.addEventListener("keydown", (event) => this.key(pane, event));
  }

  spot(pane, event) {
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
    this.act(zoomAbout(Math.exp(-clamp(event.deltaY * unit, -240, 240) * (event.ctrlKey ? 0.01 : 0.0022)), this.spot(pane, event)), pane);
  }

  press(pane, event) {
    if (event.button > 0) return;
    pane.touches.set(event.pointerId, this.spot(pane, event));
    if (event.pointerType !== "touch" || this.view.s > 1 || !this.locked || pane.touches.size > 1) pane.glass.setPointerCapture(event.pointerId);
    pane.glass.classList.add("held");
  }

  move(pane, event) {
    const at = this.spot(pane, event);
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
      const seen = other !== pane && !other.data.missing;
      other.cross.classList.toggle("seen", Boolean(seen));
      if (!seen) continue;
      other.cross.style.left = `${at.x * 100}%`;
      other.cross.style.top = `${at.y * 100}%`;
    }
  }

  keys(pane, far) {
    return {
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
  }

  key(pane, event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target !== pane.glass) return;
    const act = this.keys(pane, event.shiftKey ? 0.25 : 0.08)[event.key.length === 1 ? event.key.toLowerCase() : event.key];
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
    for (const pane of this.allPanes()) pane.offset = ONE;
    this.paint();
  }

  // One px of the first picture that is seen, at its own resolution, to one px of the screen.
  toPixels() {
    const pane = this.eye();
    if (!pane) return;
    const layer = seenLayer(pane);
    const wanted = Math.max(...layer.source.levels) / (layer.scale * window.devicePixelRatio);
    const middle = { x: (0.5 - this.view.tx) / this.view.s, y: (0.5 - this.view.ty) / this.view.s };
    const s = clamp(wanted, 1, DEEPEST);
    this.view = hold({ s, tx: 0.5 - s * middle.x, ty: 0.5 - s * middle.y });
    this.paint();
  }

  turnOf(pane) {
    return pane.turn;
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

  // As high as the highest picture needs at this width, so that little is left over, and no
  // higher than what the tools leave of the window, so that both are in sight together.
  measure() {
    const seen = this.allPanes().filter((pane) => pane.glass.clientWidth);
    const needs = seen.filter((pane) => pane.layers[0].source).map((pane) => {
      const { width, height } = pane.layers[0].source;
      const [w, h] = this.turnOf(pane) % 2 ? [height, width] : [width, height];
      return (pane.glass.clientWidth * h) / w;
    });
    const stacked = seen.length > 1 && seen[0].glass.getBoundingClientRect().left === seen[1].glass.getBoundingClientRect().left;
    if (!seen.length) return;
    const full = !stacked && this.root.getRootNode().fullscreenElement === this.box;
    const room = window.innerHeight - this.taken(seen[0].glass, full);
    const most = Math.max(full ? room : Math.min(room, window.innerHeight * (stacked ? 0.36 : 0.6)), 230);
    const tall = full ? most : clamp(Math.max(...needs, 0) + 24, 210, most);
    this.say("--tall", tall);
  }

  say(name, px) {
    const value = `${Math.round(px)}px`;
    if (this.box.style.getPropertyValue(name) !== value) this.box.style.setProperty(name, value);
  }

  // What of the window's height the page's head and the tools take beside the pictures.
  taken(glass, full) {
    const [box, picture] = [this.box.getBoundingClientRect(), glass.getBoundingClientRect()];
    const above = picture.top - box.top;
    if (full) return above + this.below().getBoundingClientRect().bottom - picture.bottom + FRAME_PX;
    const head = document.querySelector("[data-testid=stHeader]")?.offsetHeight ?? 0;
    this.say("--head", head);
    return head + above + 2 * FRAME_PX;
  }

  // The lowest of the tools that a full screen shows with the pictures.
  below() {
    return this.box.querySelector(".panes");
  }

  paint() {
    const held = this.heldPane();
    this.measure();
    this.box.classList.toggle("deep", this.view.s > 1 || !this.locked);
    this.box.classList.toggle("dark", this.dark);
    this.darkButton.setAttribute("aria-pressed", String(this.dark));
    this.lockButton.setAttribute("aria-pressed", String(this.locked));
    this.readout.textContent = `${this.view.s.toFixed(this.view.s < 10 ? 1 : 0)} ×`;
    this.panes.filter((pane) => pane.reference).forEach((pane) => pane.node.classList.toggle("shown", pane.data.key === this.shown));
    this.group.check(this.panes.filter((pane) => pane.reference).findIndex((pane) => pane.data.key === this.shown));
    for (const pane of this.allPanes()) {
      const { clientWidth: width, clientHeight: height } = pane.glass;
      const seen = after(this.view, pane.offset);
      if (width) pane.layers.forEach((layer) => layer.place(width, height, seen, this.turnOf(pane)));
    }
    // The keyboard goes on in the picture that takes the place of one no longer seen.
    if (held && !held.glass.clientWidth) this.eye()?.glass.focus({ preventScroll: true });
  }
}

// A group of buttons of which one is chosen; arrow keys choose the next.
function radioGroup(label, buttons) {
  const group = el("div", { class: "tools", role: "radiogroup", "aria-label": label }, ...buttons);
  group.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const usable = buttons.filter((button) => !button.disabled);
    const now = usable.indexOf(event.target.closest("[role=radio]"));
    if (!step || now < 0) return;
    event.preventDefault();
    event.stopPropagation();
    const next = usable[(now + step + usable.length) % usable.length];
    next.click();
    next.focus();
  });
  group.check = (chosen) =>
    buttons.forEach((button, number) => {
      button.setAttribute("aria-checked", String(number === chosen));
      button.tabIndex = number === chosen || (chosen < 0 && number === 0) ? 0 : -1;
    });
  return group;
}

// Mounts one in a component of Streamlit's; the page may run again without touching it.
//
// before: one that the page has taken away, and puts back with this; it goes on as it was.
function mountGlass(component, Kind, before = null) {
  const { data, parentElement } = component;
  const root = parentElement.querySelector(".root");
  const glass = (root.glass ??= before?.moveInto(root) ?? new Kind(root));
  const mark = JSON.stringify(data);
  if (root.mark !== mark) {
    root.mark = mark;
    glass.build(data);
  }
  const outside = (event) => {
    if (!event.composedPath().some((node) => node.classList?.contains("glass"))) lastOutsideWheel = performance.now();
  };
  const resized = () => glass.paint();
  window.addEventListener("wheel", outside, { passive: true, capture: true });
  window.addEventListener("resize", resized);
  return () => {
    window.removeEventListener("wheel", outside, { capture: true });
    window.removeEventListener("resize", resized);
  };
}
