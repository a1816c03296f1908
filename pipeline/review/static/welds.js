// The list of welds in the served folder, sound or not.

import { byId, element, sayFault } from "./dom.js";
import { mm } from "./places.js";
import { ask } from "./server.js";
import { remembered } from "./signal.js";

remembered("bright", false).watch((on) => document.body.classList.toggle("bright", on));

function row(weld) {
  const name = weld.shot ? `${weld.weld} ${weld.shot}` : weld.weld;
  const more = weld.label && weld.label !== weld.weld ? element("small", {}, weld.label) : null;
  if (weld.fault) {
    return element(
      "li",
      { class: "faulty" },
      element("h2", {}, name || "unknown", more),
      element("p", { class: "fault" }, weld.fault),
    );
  }
  const seen = weld.seen_percent ?? 0;
  return element(
    "li",
    {},
    element("h2", {}, element("a", { href: `/weld/${weld.key}` }, name), more),
    element("p", { class: `verdict ${weld.verdict}` }, weld.verdict),
    element(
      "p",
      { class: "facts" },
      `${mm(weld.s_from_mm, 0)} to ${mm(weld.s_to_mm, 0)}`,
      element("br"),
      `${weld.marks} ${weld.marks === 1 ? "indication" : "indications"}`,
    ),
    element(
      "p",
      { class: "facts" },
      element("progress", { max: 100, value: seen, "aria-label": "looked at" }),
      ` ${seen.toFixed(seen < 100 && seen > 99 ? 1 : 0)} % looked at`,
    ),
  );
}

async function show() {
  const told = await ask("/api/welds");
  const all = told.welds.map((weld) => ({
    row: row(weld),
    text: [weld.weld, weld.shot, weld.label, weld.fault].join(" ").toLowerCase(),
  }));
  const faulty = told.welds.filter((weld) => weld.fault).length;
  byId("list-told").textContent = [
    `${told.welds.length - faulty} can be looked at`,
    faulty ? `${faulty} can't be read` : "",
    told.read_only ? "read only: nothing is written" : "",
  ]
    .filter(Boolean)
    .join(" · ");
  byId("welds").append(...all.map((one) => one.row));
  byId("find").addEventListener("input", (event) => {
    const words = event.target.value.toLowerCase();
    for (const one of all) one.row.hidden = !one.text.includes(words);
  });
}

show().catch(sayFault);
