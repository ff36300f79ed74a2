// Points of comparison, each enlarged: query beside nearest genuine beside nearest fake, with
// the figure measured there, the examiner's mark and a note.
const MARKS = ["agrees", "differs", "cannot tell"];
const ROOM = 0.25;

class PointList {
  constructor(root) {
    this.root = root;
    this.state = null;
    this.left = false;
  }

  build(data, send) {
    this.send = send;
    const fresh = data.base !== this.data?.base;
    this.data = data;
    if (fresh) {
      this.left = false;
      this.state = null;
      this.marks = structuredClone(data.marks);
    }
    this.draw();
    this.follow();
  }

  follow() {
    const { base } = this.data;
    if (this.following === base) return;
    this.following = base;
    followDesk(base, {
      wanted: () => this.root.isConnected && this.data.base === base && !this.left,
      onGone: () => {},
      onState: (state) => {
        this.state = state;
        this.draw();
      },
    }).then(() => {
      if (this.following === base) this.following = null;
    });
  }

  // Another desk was laid out: what lies on the old one is no longer to be asked for. A search
  // that was cut off can bring the old one back.
  leave(base) {
    if (!this.data) return;
    const left = base !== this.data.base;
    if (left === this.left) return;
    this.left = left;
    if (!left) return this.follow();
    this.state = null;
    this.draw();
  }

  // Points belong to the reference that gives the frame; without one nothing was measured.
  measures() {
    const { frame, measures } = this.state ?? {};
    return frame ? measures[frame.key] : Object.values(measures ?? {})[0];
  }

  draw() {
    const measures = this.measures();
    // Marks come back from the page as they were sent: drawing anew would take the focus away.
    const { base, panes, none } = this.data;
    const mark = JSON.stringify([base, panes, none, measures?.points, Object.keys(this.state?.layers ?? {})]);
    if (mark === this.mark) return;
    this.mark = mark;
    const points = measures?.points ?? [];
    const says = !measures ? "Points of comparison appear once your photo is laid over the reference and measured." : points.length ? this.counted(points) : this.data.none;
    this.count = el("p", { class: "count", role: "status" }, says);
    this.root.replaceChildren(el("section", { class: "points", "aria-label": "Points of comparison" }, el("h3", {}, "Points of comparison"), this.count, ...points.map((point) => this.card(point))));
  }

  counted(points) {
    const told = points.filter((point) => this.marks[point.id]?.mark).length;
    return `${told} of ${points.length} marked. Mark what you see at each point; a mark speaks of the point, not of the item.`;
  }

  card(point) {
    const box = point.region && boxOf(point.region);
    const pictures = this.data.panes.map((pane) => this.picture(point, pane, box));
    const back = { words: "Back to the point", node: () => this.root.querySelector(`[data-point="${point.id}"]`) };
    const look = () => window.dispatchEvent(new CustomEvent("loupebook-look", { detail: { x: box.x + box.width / 2, y: box.y + box.height / 2, radius: Math.max(box.width, box.height) / 2, name: point.title, back } }));
    return el(
      "article",
      { class: "point", "aria-label": point.title },
      el("h4", {}, point.title, box ? el("button", { type: "button", class: "tool", "data-point": point.id, "aria-label": `${point.title}: see it on the desk`, onclick: look }, "See it on the desk") : null),
      el("p", {}, el("b", {}, "A genuine one: "), point.genuine_shows),
      point.copies_show ? el("p", {}, el("b", {}, "Copies: "), point.copies_show) : null,
      el("div", { class: "three" }, ...pictures),
      el("p", { class: "figure" }, `Measured: ${point.figure_says}.`),
      this.marking(point),
    );
  }

  picture(point, pane, box) {
    const layer = this.state.layers[pane.layer];
    const caption = el("figcaption", {}, badge(pane.standing, pane.short), el("div", { class: "fact" }, pane.facts));
    if (!box || !layer?.aligned) {
      const why = pane.layer ? "cannot be laid in the same frame" : "none within these filters";
      return el("figure", {}, el("div", { class: "none" }, why), caption);
    }
    const room = ROOM * Math.max(box.width, box.height);
    const part = { x: box.x - room, y: box.y - room, width: box.width + 2 * room, height: box.height + 2 * room, longest: 480 };
    const address = `${this.data.base}cut/${pane.layer}?${new URLSearchParams(part)}`;
    return el("figure", {}, el("img", { src: address, alt: `${point.title}: ${pane.short}`, loading: "lazy", decoding: "async", style: `aspect-ratio:${part.width}/${part.height}` }), caption);
  }

  marking(point) {
    const kept = (this.marks[point.id] ??= { mark: null, note: "" });
    const buttons = MARKS.map((mark) => el("button", { type: "button", class: "tool", role: "radio", onclick: () => choose(mark) }, verdictBadge(mark)));
    const group = radioGroup(`Your mark: ${point.title}`, buttons);
    const show = () => group.check(MARKS.indexOf(kept.mark));
    const choose = (mark) => {
      kept.mark = kept.mark === mark ? null : mark;
      show();
      this.tell();
    };
    const note = el("textarea", { rows: 2, maxlength: 2000, "aria-label": `Note: ${point.title}`, placeholder: "Note", onchange: () => ((kept.note = note.value), this.tell()) });
    note.value = kept.note;
    show();
    return el("div", { class: "marking" }, group, note);
  }

  tell() {
    this.count.textContent = this.counted(this.measures().points);
    const told = Object.entries(this.marks).filter(([, { mark, note }]) => mark || note);
    this.send("marks", Object.fromEntries(told));
  }
}

function boxOf(region) {
  const [xs, ys] = [0, 1].map((axis) => region.map((corner) => corner[axis]));
  const [x, y] = [Math.min(...xs), Math.min(...ys)];
  return { x, y, width: Math.max(...xs) - x, height: Math.max(...ys) - y };
}

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector(".root");
  const list = (root.list ??= new PointList(root));
  list.build(data, setStateValue);
  const leave = ({ detail }) => list.leave(detail);
  window.addEventListener("loupebook-desk", leave);
  return () => window.removeEventListener("loupebook-desk", leave);
}
