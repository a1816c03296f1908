// The drawer beside the film: one panel at a time, or none.

import { byId, element } from "./dom.js";

const PANELS = [
  { name: "gray", words: "gray", key: "g" },
  { name: "layers", words: "layers", key: "a" },
  { name: "spot", words: "frames", key: "q" },
  { name: "measure", words: "measured", key: "m" },
  { name: "marks", words: "indications", key: "i" },
  { name: "compare", words: "compare", key: "c" },
  { name: "keys", words: "keys ?", key: "?" },
];

export function makePanels(resized) {
  let open = null;
  const close = element("button", { type: "button", class: "close", onclick: () => show(null) }, "close");
  byId("drawer").prepend(close);
  const buttons = PANELS.map(({ name, words, key }) =>
    element(
      "button",
      { type: "button", "data-panel": name, "aria-expanded": "false", "aria-controls": `panel-${name}`, title: `${words} (${key})`, onclick: () => toggle(name) },
      words,
    ),
  );
  byId("panel-choice").append(...buttons);
  function show(name) {
    if (open === name) return;
    open = name;
    byId("drawer").hidden = !name;
    for (const panel of PANELS) byId(`panel-${panel.name}`).hidden = panel.name !== name;
    for (const one of buttons) one.setAttribute("aria-expanded", String(one.dataset.panel === name));
    resized();
  }
  const toggle = (name) => show(open === name ? null : name);
  const keys = PANELS.map(({ name, words, key }) => ({ key, words: `panel: ${words.replace(" ?", "")}`, run: () => toggle(name) }));
  return { show, toggle, keys, isOpen: () => open };
}
