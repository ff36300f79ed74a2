// A grid of references: photo, standing by word and shape, facts. Choosing one tells Python.
const ON_IT = "On the desk";

// What a card of a search says of the desk, and does to it: to be seen, not only outlined.
function deed(card) {
  const on = card.picked || card.always;
  const words = card.always ? `${ON_IT}: ${card.always}` : on ? ON_IT : card.hint;
  return el("span", { class: on ? "deed on" : "deed" }, icon(on ? "tick" : "plus"), words);
}

function plate(card, pick) {
  const shot = el("span", { class: card.dark ? "shot dark" : "shot" });
  shot.append(card.url ? el("img", { src: card.url, alt: "", loading: "lazy", decoding: "async" }) : el("span", { class: "none" }, card.missing ?? "No photo"));
  if (card.rank) shot.append(el("span", { class: "rank", "aria-hidden": "true" }, String(card.rank)));
  const laid = pick && card.always !== undefined;
  const words = el(
    "span",
    { class: "words" },
    badge(card.standing, card.word),
    el("span", { class: "name" }, card.name),
    card.figure ? el("span", { class: "figure" }, card.figure) : null,
    ...(card.facts ?? []).map((fact) => el("span", { class: "fact" }, fact)),
    card.state ? el("span", { class: "state" }, card.state) : null,
    laid ? deed(card) : null,
  );
  const does = laid ? words.lastChild.textContent : card.hint;
  const label = [card.rank ? `Rank ${card.rank}` : null, card.word, card.name, card.figure, ...(card.facts ?? []), card.state, card.url ? null : card.missing, does].filter(Boolean).join(", ");
  if (!pick) return el("div", { class: "plate", role: "group", "aria-label": label }, shot, words);
  const classes = card.picked ? "plate picked" : "plate";
  return el("button", { type: "button", class: classes, "aria-label": label, "aria-pressed": String(Boolean(card.picked)), onclick: () => pick(card.key) }, shot, words);
}

// What has changed on the desk above since the cards were last drawn, and the way there.
function changeOf(before, cards) {
  const names = (picked) => cards.filter(picked).map((card) => card.name);
  const [laid, taken] = [names((card) => card.picked && !card.always && !before.has(card.key)), names((card) => !card.picked && !card.always && before.has(card.key))];
  const told = [laid.length ? `laid on it: ${laid.join("; ")}` : "", taken.length ? `taken off: ${taken.join("; ")}` : ""].filter(Boolean);
  return told.length ? `The desk above has changed: ${told.join(", ")}.` : "";
}

function seeDesk(root, key) {
  const back = { words: "Back to the cards", node: () => root.querySelector(`li[data-key="${key}"] button`) };
  window.dispatchEvent(new CustomEvent("loupebook-look", { detail: { back } }));
}

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const root = parentElement.querySelector(".root");
  root.pick = data.choose ? (key) => ((root.chose = key), setTriggerValue("chosen", key)) : null;
  const mark = JSON.stringify(data);
  if (root.mark === mark) return;
  const held = parentElement.activeElement?.closest?.("li")?.dataset.key;
  root.mark = mark;
  const list = el("ul", { class: "plates", "aria-label": data.label, style: `--least:${data.least}px;--tall:${data.tall}px` });
  for (const card of data.cards) list.append(el("li", { "data-key": card.key }, plate(card, data.choose && ((key) => root.pick(key)))));
  root.list ??= root.appendChild(list);
  root.list.replaceWith(list);
  root.list = list;
  root.said ??= root.appendChild(el("div", { class: "said", role: "status" }));
  const words = root.chose && data.cards.some((card) => card.always !== undefined) ? changeOf(root.picked, data.cards) : "";
  const see = words ? el("button", { type: "button", class: "tool", onclick: () => seeDesk(root, root.chose) }, "See the desk") : null;
  root.said.replaceChildren(...(words ? [el("span", {}, words), see] : []));
  root.picked = new Set(data.cards.filter((card) => card.picked).map((card) => card.key));
  if (held) [...list.children].find((item) => item.dataset.key === held)?.querySelector("button")?.focus({ preventScroll: true });
}
