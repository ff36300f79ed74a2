// A label with facts or advice. Values are shown letter by letter.
let seenNumber = 0;

export default function ({ data, parentElement }) {
  const root = parentElement.querySelector(".root");
  const sheet = el("section", { class: ["sheet", data.edge ?? "", data.limits ? "brief" : ""].filter(Boolean).join(" "), "aria-label": data.title });
  if (data.standing) sheet.append(badge(data.standing[0], data.standing[1]));
  sheet.append(el("h3", {}, data.title));
  const [number, anew] = data.anew ?? [0, ""];
  if (anew) sheet.append(el("p", { class: "anew", role: "status" }, anew));
  if (data.summary) sheet.append(...data.summary.split("\n\n").map((part) => el("p", { class: "summary" }, part)));
  if (data.more) sheet.append(el("details", { class: "more", open: root.querySelector("details.more[open]") !== null }, el("summary", {}, "More"), ...data.more.split("\n\n").map((part) => el("p", {}, part))));
  if (data.limits) sheet.append(el("p", { class: "limits" }, data.limits));
  if (data.rows) {
    const list = el("dl");
    for (const [label, value] of data.rows) list.append(el("dt", {}, label), el("dd", { class: value === "not recorded" ? "unknown" : null }, value));
    sheet.append(list);
  }
  if (data.items?.length) {
    const list = el("ul");
    for (const item of data.items) list.append(el("li", { class: item.severity }, el("span", { class: "mark" }, item.mark), item.message, item.advice ? el("span", { class: "advice" }, item.advice) : null));
    sheet.append(list);
  }
  root.replaceChildren(sheet);
  // The answer may be drawn anew for other reasons: it comes into view once.
  if (number > seenNumber) sheet.scrollIntoView({ block: "center" });
  seenNumber = Math.max(seenNumber, number);
}
