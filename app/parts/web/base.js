// Helpers shared by our components. Text always goes in as text, never as markup.
const SVG = "http://www.w3.org/2000/svg";

function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

function svg(size, ...shapes) {
  const node = document.createElementNS(SVG, "svg");
  node.setAttribute("viewBox", "0 0 16 16");
  node.setAttribute("width", size);
  node.setAttribute("height", size);
  node.setAttribute("aria-hidden", "true");
  for (const [tag, attributes] of shapes) {
    const shape = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) shape.setAttribute(name, value);
    node.append(shape);
  }
  return node;
}

const LINE = { fill: "none", stroke: "currentColor", "stroke-width": 1.8 };
const SHAPES = {
  // Ring: genuine. Filled diamond: fake. Corner brackets: the photo in question.
  genuine: [["circle", { cx: 8, cy: 8, r: 6.2, ...LINE }], ["circle", { cx: 8, cy: 8, r: 2.8, ...LINE, "stroke-width": 1.2 }]],
  fake: [["path", { d: "M8 .8 15.2 8 8 15.2.8 8Z", fill: "currentColor" }]],
  query: [["path", { d: "M1.5 5V1.5H5M11 1.5h3.5V5M14.5 11v3.5H11M5 14.5H1.5V11", ...LINE }]],
};

function badge(kind, word) {
  return el("span", { class: `badge ${kind}` }, SHAPES[kind] ? svg(14, ...SHAPES[kind]) : null, word);
}

const ICONS = {
  tick: "M2.5 8.5 6.5 12.5 13.5 4",
  plus: "M8 2.5v11M2.5 8h11",
  minus: "M2.5 8h11",
  fit: "M2 6V2h4M10 2h4v4M14 10v4h-4M6 14H2v-4",
  left: "M3 6.5A5.3 5.3 0 1 1 3 10M3 2.5v4h4",
  right: "M13 6.5A5.3 5.3 0 1 0 13 10M13 2.5v4H9",
  locked: "M3.5 7.5h9v6h-9zM5.5 7.5V5a2.5 2.5 0 0 1 5 0v2.5",
  unlocked: "M3.5 7.5h9v6h-9zM5.5 7.5V4a2.5 2.5 0 0 1 4.8-.9",
  whole: "M2 6V2h4M10 2h4v4M14 10v4h-4M6 14H2v-4M5.5 5.5h5v5h-5z",
  dark: "M12.8 10A5.6 5.6 0 1 1 6.4 2.6 4.6 4.6 0 0 0 12.8 10Z",
  save: "M8 2v8M4.5 6.8 8 10.3l3.5-3.5M2.5 13.5h11",
  fill: "M9.5 2H14v4.5M14 2 9.3 6.7M6.5 14H2V9.5M2 14l4.7-4.7",
  paste: "M5.5 3H3v11h10V3h-2.5M5.5 1.8h5v2.6h-5z",
};

function icon(name) {
  return svg(17, ["path", { d: ICONS[name], ...LINE, "stroke-width": 1.5 }]);
}

function tool(iconName, label, onclick, { text = null, keys = null } = {}) {
  return el(
    "button",
    { type: "button", class: "tool", "aria-label": label, title: keys ? `${label} (${keys})` : label, "aria-keyshortcuts": keys, onclick },
    iconName ? icon(iconName) : null,
    text ? el("span", {}, text) : null,
  );
}

const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
