// What is known of the point under the pointer, asked of the server and drawn beside the dial.

import { byId, element, sayFault } from "./dom.js";
import { mm } from "./places.js";
import { ask } from "./server.js";

export function makeProbe(film, overlay, key, gray) {
  const { places, map } = film;
  let asking = null;
  let waiting = null;
  let pinned = null;

  const show = (told) => {
    const frames = told.frames.map((one) => one.file.replace(/\.[^.]+$/, "")).join(", ");
    const seam = told.seam;
    const away = seam ? `${seam.number}, ${mm(Math.abs(seam.away_mm))} away` : "–";
    const lines = [
      ["gray value", told.origin === "not covered" ? "–" : String(told.gray)],
      ["dose", told.dose === null ? "–" : `${Number(told.dose).toPrecision(5)} (relative)`],
      ["noise σ", told.sigma_gv === null ? "–" : `${Number(told.sigma_gv).toFixed(1)} gray values`],
      ["s from datum", mm(told.s_mm, 2)],
      ["clock", told.clock ?? "–"],
      ["z", mm(told.z_mm, 2)],
      ["pixel", told.origin],
      [`seen by ${told.count}`, frames || "–"],
      ["nearest seam", away],
    ];
    byId("told").replaceChildren(
      ...lines.flatMap(([what, value]) => [element("dt", {}, what), element("dd", {}, value)]),
    );
    byId("told").dataset.gray = told.gray;
    byId("told").dataset.screen = gray.screen(told.gray);
  };
  const at = async ([x, y]) => {
    if (!places.inside(x, y)) return;
    asking?.abort();
    asking = new AbortController();
    const place = { s: places.sOf(x), z: places.zOf(y) };
    try {
      show(await ask(`/api/weld/${key}/probe`, place, asking.signal));
    } catch (error) {
      sayFault(error);
    }
  };
  // At most one question a frame's time or two; the last place counts.
  const soon = (coordinate) => {
    const idle = waiting === null;
    waiting = coordinate;
    if (!idle) return;
    setTimeout(() => {
      at(waiting);
      waiting = null;
    }, 40);
  };
  map.getViewport().addEventListener("pointermove", (event) => {
    if (!event.buttons && !pinned) soon(map.getEventCoordinate(event));
  });
  overlay.add((paper) => {
    if (!pinned) return;
    overlay.eachX(pinned[0], 20, (x) => {
      const [left, top] = overlay.onScreen([x, pinned[1]]);
      for (const [style, wide] of [["rgba(0,0,0,0.85)", 4], ["#f2b36b", 1.5]]) {
        [paper.strokeStyle, paper.lineWidth] = [style, wide];
        paper.beginPath();
        paper.arc(left, top, 9, 0, 2 * Math.PI);
        paper.stroke();
      }
    });
  });
  return {
    soon,
    pinned: () => pinned,
    pin(coordinate) {
      pinned = coordinate && places.inside(...coordinate) ? coordinate : null;
      if (pinned) soon(pinned);
      overlay.redraw();
      return pinned;
    },
  };
}
