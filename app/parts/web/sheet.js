// A label with facts or advice. Values are shown letter by letter.
export default function ({ data, parentElement }) {
  const root = parentElement.querySelector(".root");
  const sheet = el("section", { class: ["sheet", data.roomy ? "roomy" : "", data.edge ?? ""].join(" ").trim(), "aria-label": data.title });
  if (data.standing) sheet.append(badge(data.standing[0], data.standing[1]));
  sheet.append(el("h3", {}, data.title));
  if (data.summary) sheet.append(el("p", { class: "summary" }, data.summary));
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
}
