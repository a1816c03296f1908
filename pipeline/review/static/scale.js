// How large the strip is shown: a bar in true millimetres, and the screen's own millimetre.

import { byId } from "./dom.js";
import { remembered } from "./signal.js";

const CARD_MM = 85.6; // ISO/IEC 7810 ID-1, its longer side
const NOMINAL = 96 / 25.4; // CSS pixels to a millimetre, where nobody has measured the screen
const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500];
const BAR_PX = 120;

export function makeScale(film) {
  const perMm = remembered("screen-per-mm", NOMINAL);
  const { pitch } = film.places;
  let shown = 0; // the resolution that the words are for
  const slider = byId("card-size");
  perMm.watch((value) => {
    shown = 0;
    slider.value = Math.round(value * CARD_MM);
    byId("card").style.width = `${value * CARD_MM}px`;
  });
  slider.addEventListener("input", () => {
    perMm.set(Number(slider.value) / CARD_MM);
    film.map.render();
  });

  film.map.on("postrender", () => {
    if (film.view.getResolution() === shown) return;
    shown = film.view.getResolution();
    const pixelsPerMm = 1 / (pitch * film.view.getResolution());
    const bar = STEPS.findLast((step) => step * pixelsPerMm <= BAR_PX) ?? STEPS[0];
    byId("scale-bar").style.width = `${bar * pixelsPerMm}px`;
    const closeness = film.closeness();
    const pixels = closeness >= 1 ? `${Number(closeness.toFixed(2))}:1` : `1:${Number((1 / closeness).toFixed(2))}`;
    const millimetres = pixelsPerMm / perMm.get();
    byId("scale-told").textContent = `${bar} mm · ${pixels} pixels · ×${millimetres.toPrecision(3)} in mm`;
  });
  return { oneMillimetre: () => film.oneMillimetre(perMm.get()) };
}
