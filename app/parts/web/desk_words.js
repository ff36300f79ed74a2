// The words of the desk: what was measured, and the keys.
const VERDICTS = {
  agrees: { shape: [["path", { d: "M2.5 8.5 6.5 12.5 13.5 4", ...LINE }]], word: "agrees" },
  differs: { shape: [["path", { d: "M8 1.5 15 14.5H1Z", fill: "currentColor" }]], word: "differs" },
  "cannot tell": { shape: [["path", { d: "M2.5 8h11", ...LINE, "stroke-dasharray": "2.5 2" }]], word: "cannot tell" },
  // Only of measurements: within what is usual, which alone tells little.
  look: { shape: [["circle", { cx: 7, cy: 7, r: 4.6, ...LINE }], ["path", { d: "M10.4 10.4 14 14", ...LINE }]], word: "look" },
};
const KEYS = [
  ["+ −", "zoom in, zoom out"],
  ["arrow keys", "move; with Shift in larger steps"],
  ["0", "see the whole"],
  ["1", "one picture pixel to one screen pixel"],
  ["P", "as photographed, or aligned"],
  ["S", "side by side"],
  ["W", "swipe; then drag the bar, or < and >"],
  ["A", "alternate; then Space shows the other"],
  ["D", "differences"],
  ["N", "next reference beside your photo"],
  ["B", "back to where you came to a place from"],
  ["C", "next channel"],
  ["[ ]", "darker, brighter"],
  ["M", "ruler: move its ends with the arrow keys"],
  ["O", "protractor"],
  ["L", "lock or unlock the pictures"],
  ["R", "turn by a quarter"],
  ["F", "fill the screen"],
  ["?", "this list"],
];

function verdictBadge(verdict, said = null) {
  const { shape, word } = VERDICTS[verdict];
  return el("span", { class: `verdict ${verdict.replace(" ", "-")}` }, svg(14, ...shape), said ?? word);
}

function keyDialog() {
  const close = el("button", { type: "button", class: "tool", autofocus: true }, "Close");
  const dialog = el(
    "dialog",
    { class: "keys", "aria-label": "Keyboard" },
    el("h3", {}, "Keyboard"),
    el("p", {}, "These keys work while a picture has the focus: click it, or move to it with Tab."),
    el("dl", {}, ...KEYS.flatMap(([key, does]) => [el("dt", {}, el("kbd", {}, key)), el("dd", {}, does)])),
    close,
  );
  close.addEventListener("click", () => dialog.close());
  return dialog;
}

// `open` holds the keys of the lists that stand open, and is kept so; `frame` says how large
// the picture is that places lie in.
function measuredParts(measures, doubt, open, frame, visit) {
  const entries = Object.entries(measures);
  if (!entries.length) return [el("p", { class: "measured waits" }, "Measuring against known examples…")];
  // Where nothing could be measured, the reason is the same against all.
  const told = entries.filter(([, one], number) => entries.findIndex(([, other]) => other.says === one.says && other.against === one.against) === number);
  const parts = told.flatMap(([key, one]) => [
    el(
      "details",
      { class: "measured", "data-key": key, open: open.has(key), ontoggle: ({ target }) => (target.open ? open.add(key) : open.delete(key)) },
      el("summary", {}, summaryOf(one)),
      el("div", { class: "rows" }, ...measureRows(one, key, frame, (...at) => visit(key, ...at))),
    ),
    ...strengthParts(one),
  ]);
  return doubt ? [el("p", { class: "caution" }, doubt), ...parts] : parts;
}

// What the print is worth, what that does not say with it; always to be seen.
function strengthParts(measures) {
  if (!measures.strength.length) return [];
  return [el("div", { class: "strength" }, ...measures.strength.map((part) => el("p", {}, part)))];
}

// The map that is shown first: that of the figure that lies farthest beyond what is usual.
function farthest(measures) {
  const names = measures?.overlays ?? [];
  const beyond = (measures?.figures ?? []).filter((one) => names.includes(one.name) && one.z !== null);
  beyond.sort((one, other) => other.z - one.z);
  return beyond[0]?.name ?? names[0] ?? null;
}

function legendOf(measures, done) {
  if (!measures) return [done === false ? "Being measured against this reference…" : "Choose the nearest genuine or the nearest fake: your photo is measured against these."];
  if (!measures.overlays.length) return ["No map for this reference; why stands below the picture."];
  return ["near the limit", el("span", { class: "scale", role: "img", "aria-label": "colour scale: yellow near the limit of what is usual, orange at it, dark red where it differs" }), "differs"];
}

// What a map shows, and what its gaps are; stands below the picture.
function mapWords(measures, map) {
  if (!measures) return [];
  if (!measures.overlays.length) return [measures.says];
  const figure = measures.figures.find((one) => one.name === map);
  const against = `where your photo departs from the known ones (${measures.against})`;
  const painted = figure && !figure.painted ? `nothing is painted, ${figure.z === null ? "since the limit is not known" : "no place comes near the limit of what is usual"} (${figure.word})` : "yellow near the limit of what is usual, orange at it, dark red where it differs";
  return [`The map shows ${against}: ${painted}. `, el("span", { class: "hatch", role: "img", "aria-label": "hatched" }), " Not compared: glare hides it, or your photo or the known ones do not show it."];
}

// Where a place lies, by thirds of the picture.
function whereabouts({ x, y }, { width, height }) {
  const third = (share, names) => names[clamp(Math.floor(3 * share), 0, 2)];
  const [down, across] = [third(y / height, ["top", "middle", "bottom"]), third(x / width, ["left", "centre", "right"])];
  return down === "middle" && across === "centre" ? "centre" : `${down} ${across}`;
}

function summaryOf(measures) {
  const count = (mark) => measures.figures.filter((figure) => figure.mark === mark).length;
  if (!measures.figures.length) return measures.says;
  const against = `Measured against ${measures.photos} known photo${measures.photos === 1 ? "" : "s"} (${measures.against})`;
  if (measures.figures.some((figure) => figure.word === "not judged")) return `${against}: nothing close, so the figures are not judged`;
  return `${against}: ${count("differs")} differ, ${count("agrees")} agree, ${count("look")} to be looked at, ${count("cannot tell")} cannot be told`;
}

function measureRows(measures, key, frame, visit) {
  const rows = measures.figures.map((figure) =>
    el(
      "li",
      {},
      verdictBadge(figure.mark, figure.word),
      el("span", { class: "what" }, el("b", {}, figure.name), ` ${figure.value === null ? "" : `${figure.value.toPrecision(3)} ${figure.unit}`}`, figure.limit ? el("span", { class: "limit" }, figure.limit) : null),
      el("span", { class: "why" }, figure.verdict === "differs" ? figure.says : (figure.reason ?? "")),
      figure.places.length
        ? el(
            "span",
            { class: "places" },
            ...figure.places.map((place, number) => {
              const words = `place ${number + 1}, ${whereabouts(place, frame)}`;
              return el("button", { type: "button", class: "tool", "data-place": `${key} ${figure.name} ${number}`, "aria-label": `${figure.name}: go to ${words}`, onclick: () => visit(figure, place, number) }, words);
            }),
          )
        : null,
    ),
  );
  return [el("p", {}, measures.says), el("ul", { class: "figures" }, ...rows), el("p", { class: "limits" }, measures.does_not_say)];
}

// What a ruler's figure holds for.
function rulerWords(pxPerMm, of) {
  const ends = "± is how closely both ends can be set here.";
  if (!pxPerMm) return `${ends} No scale is recorded, so the length is in picture pixels.`;
  const fitted = of ? " Lengths in the aligned picture are the reference's: your photo was fitted to it, and its own scale is unknown unless it was given. A print a few per cent too small measures the same here." : "";
  return `${ends}${fitted} The scale is the one recorded ${of ? `for ${of.toLowerCase()}` : "with this photo"}, ${pxPerMm.toFixed(1)} px/mm, whose own error comes on top. It holds where the item lies flat and square to the camera: where it curves away, true lengths are greater.`;
}
