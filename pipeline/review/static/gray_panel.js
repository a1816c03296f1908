// The panel of the gray window: numbers, presets, polarity, and dragging over the strip.

import { byId, element, sayFault } from "./dom.js";
import { ask } from "./server.js";

export function makeGrayPanel(film, gray, facts, key) {
  const [low, high] = [byId("gray-low"), byId("gray-high")];
  const [slideLevel, slideWidth] = [byId("gray-level"), byId("gray-width")];
  gray.state.watch(({ low: from, high: to, negative }) => {
    if (document.activeElement !== low) low.value = from;
    if (document.activeElement !== high) high.value = to;
    slideLevel.value = Math.round((from + to) / 2);
    slideWidth.value = Math.round(Math.log2(Math.max(1, to - from)) * 100);
    const words = negative ? "NEGATIVE" : "POSITIVE";
    byId("polarity").textContent = words;
    byId("polarity-more").textContent = negative ? "more dose is darker" : "more dose is lighter";
    byId("polarity-button").setAttribute("aria-pressed", String(negative));
    byId("window-told").textContent = `${from} – ${to}`;
  });
  const typed = () => gray.set(Number(low.value), Number(high.value));
  for (const input of [low, high]) input.addEventListener("change", typed);
  const slid = () => {
    const half = 2 ** (Number(slideWidth.value) / 100) / 2;
    gray.set(Number(slideLevel.value) - half, Number(slideLevel.value) + half);
  };
  for (const input of [slideLevel, slideWidth]) input.addEventListener("input", slid);
  byId("polarity-button").addEventListener("click", gray.invert);

  const ofVisible = async () => {
    try {
      const told = await ask(`/api/weld/${key}/window`, film.visibleMm());
      gray.set(told.low, told.high);
    } catch (error) {
      sayFault(error);
    }
  };
  byId("gray-presets").append(
    element("button", { type: "button", id: "gray-visible", onclick: ofVisible }, "what is visible"),
    ...facts.windows.map((one) =>
      element("button", { type: "button", onclick: () => gray.set(one.low, one.high) }, one.name),
    ),
    element("button", { type: "button", onclick: () => gray.set(0, 65535) }, "all 16 bits"),
  );

  // Along the screen's width the window's width, along its height the level.
  let from = null;
  const pane = film.map.getViewport();
  const down = (event) => {
    if (film.tool?.get() !== "window" && event.button !== 2) return;
    from = { x: event.clientX, y: event.clientY, ...gray.state.get() };
    pane.setPointerCapture(event.pointerId);
  };
  const move = (event) => {
    if (!from) return;
    const width = (from.high - from.low) * 2 ** ((event.clientX - from.x) / 200);
    const shift = ((from.y - event.clientY) / 400) * (from.high - from.low);
    const middle = (from.low + from.high) / 2 + shift;
    gray.set(middle - width / 2, middle + width / 2);
  };
  pane.addEventListener("pointerdown", down);
  pane.addEventListener("pointermove", move);
  for (const end of ["pointerup", "pointercancel"]) pane.addEventListener(end, () => (from = null));
  pane.addEventListener("contextmenu", (event) => event.preventDefault());
  return { ofVisible };
}
