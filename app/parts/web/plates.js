// A grid of references: photo, standing by word and shape, facts. Choosing one tells Python.
function plate(card, pick) {
  const shot = el("span", { class: card.dark ? "shot dark" : "shot" });
  shot.append(card.url ? el("img", { src: card.url, alt: "", loading: "lazy", decoding: "async" }) : el("span", { class: "none" }, card.missing ?? "No photo"));
  if (card.rank) shot.append(el("span", { class: "rank", "aria-hidden": "true" }, String(card.rank)));
  const words = el(
    "span",
    { class: "words" },
    badge(card.standing, card.word),
    el("span", { class: "name" }, card.name),
    card.figure ? el("span", { class: "figure" }, card.figure) : null,
    ...(card.facts ?? []).map((fact) => el("span", { class: "fact" }, fact)),
    card.state ? el("span", { class: "state" }, card.state) : null,
  );
  const label = [card.rank ? `Rank ${card.rank}` : null, card.word, card.name, card.figure, ...(card.facts ?? []), card.state, card.hint].filter(Boolean).join(", ");
  if (!pick) return el("div", { class: "plate", role: "group", "aria-label": label }, shot, words);
  const classes = card.picked ? "plate picked" : "plate";
  return el("button", { type: "button", class: classes, "aria-label": label, "aria-pressed": String(Boolean(card.picked)), onclick: () => pick(card.key) }, shot, words);
}

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const root = parentElement.querySelector(".root");
  const pick = data.choose ? (key) => setTriggerValue("chosen", key) : null;
  root.pick = pick;
  const mark = JSON.stringify(data);
  if (root.mark === mark) return;
  const held = parentElement.activeElement?.closest?.("li")?.dataset.key;
  root.mark = mark;
  const list = el("ul", { class: "plates", "aria-label": data.label, style: `--least:${data.least}px;--tall:${data.tall}px` });
  for (const card of data.cards) list.append(el("li", { "data-key": card.key }, plate(card, pick && ((key) => root.pick(key)))));
  root.replaceChildren(list);
  if (held) [...list.children].find((item) => item.dataset.key === held)?.querySelector("button")?.focus({ preventScroll: true });
}
