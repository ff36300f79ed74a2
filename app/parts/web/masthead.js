// The head of every page. The mark is a loupe seen from above: a ring, its rim, a glint.

export default function ({ data, parentElement }) {
  const root = parentElement.querySelector(".root");
  const mark = svg(
    34,
    ["circle", { cx: 8, cy: 8, r: 7, ...LINE, "stroke-width": 1.6 }],
    ["circle", { cx: 8, cy: 8, r: 4.6, ...LINE, "stroke-width": 0.7 }],
    ["path", { d: "M5.6 6.6A2.8 2.8 0 0 1 7.6 5.3", ...LINE, "stroke-width": 0.8 }],
  );
  const line = el("div", { class: "line" }, el("span", { class: "word" }, mark, "Loupebook"));
  if (data.set) {
    line.append(el("span", { class: "set" }, "Set ", el("b", {}, data.set)));
    line.append(el("span", { class: "counts" }, ...data.counts.map(([kind, text]) => (kind ? badge(kind, text) : el("span", {}, text)))));
  }
  if (data.notice) line.append(el("span", { class: "notice" }, data.notice));
  root.replaceChildren(el("header", { class: "mast" }, line, el("p", { class: "caution" }, data.caution)));
}
