// One indication in the list: where, what, by whom; its words can be changed, its history read.

import { element } from "./dom.js";
import { mm } from "./places.js";

export function markRow(mark, { places, words, readOnly, chosen, history, goTo, change, remove }) {
  const place = `${mm(mark.s0)}, ${places.clockText(mark.s0)}`;
  const when = String(mark.time ?? "").replace("T", " ").slice(0, 16);
  const head = element(
    "div",
    { class: "row" },
    element("strong", {}, mark.id),
    element("button", { type: "button", onclick: goTo }, place),
    mark.deleted ? "taken back" : mark.kind,
  );
  const past = element("div", { class: "hint" });
  const told = element(
    "div",
    { class: "hint" },
    `${mark.author}, ${when} UTC `,
    mark.history > 1 ? element("button", { type: "button", onclick: read }, `${mark.history} entries`) : null,
  );
  async function read() {
    const { records } = await history().catch((error) => ({ records: [{ author: error.message }] }));
    const line = (one) =>
      [one.author, String(one.time ?? "").replace("T", " ").slice(0, 19), one.word ?? "taken back", one.remark]
        .filter(Boolean)
        .join(" · ");
    past.replaceChildren(...records.map((one) => element("p", {}, line(one))));
  }
  const kind = chosen ? "chosen" : mark.deleted ? "gone" : "";
  const row = (...more) => element("li", { class: kind, "data-mark": mark.id }, head, ...more, told, past);
  if (readOnly || mark.deleted) {
    return row(element("p", {}, mark.remark ? `${mark.word}: ${mark.remark}` : mark.word));
  }
  const offered = words.includes(mark.word) ? words : [mark.word, ...words];
  const word = element(
    "select",
    { "aria-label": `word of ${mark.id}`, onchange: (event) => change({ word: event.target.value }) },
    ...offered.map((one) => element("option", { selected: one === mark.word }, one)),
  );
  const remark = element("textarea", {
    ...{ "aria-label": `remark on ${mark.id}`, placeholder: "remark", rows: 2, maxlength: 2000 },
    onchange: (event) => change({ remark: event.target.value }),
  });
  remark.value = mark.remark ?? "";
  return row(word, remark, element("button", { type: "button", onclick: remove }, "take back"));
}
