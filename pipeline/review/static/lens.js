// A magnifier that goes with the pointer, or stays at the cross; from the full-size pixels.

/* global ol */

import { byId } from "./dom.js";
import { projection } from "./pyramid.js";

const CLOSER = 4;

export function makeLens(film, gray) {
  const target = byId("lens");
  const button = byId("lens-button");
  let lens = null;
  const place = (coordinate, x, y) => {
    if (!lens) return;
    [target.style.left, target.style.top] = [`${x}px`, `${y}px`];
    const view = lens.getView();
    view.setCenter(coordinate);
    view.setRotation(film.view.getRotation());
    view.setResolution(Math.min(film.view.getResolution(), 1 / window.devicePixelRatio) / CLOSER);
  };
  const atCross = () => {
    const [wide, high] = film.map.getSize();
    place(film.view.getCenter(), wide / 2, high / 2);
  };
  const toggle = () => {
    if (lens) {
      gray.undress(lens.getLayers().item(0));
      lens.setTarget(null);
      lens.dispose();
      lens = null;
    } else {
      target.hidden = false;
      const layer = new ol.layer.WebGLTile({ source: film.source, style: gray.style, cacheSize: 24 });
      gray.dress(layer);
      const view = new ol.View({ projection, center: [0, 0], resolution: 1, minResolution: 1 / 256, maxResolution: 256, constrainResolution: false, constrainRotation: false });
      lens = new ol.Map({ target, view, layers: [layer], controls: [], interactions: [] });
      atCross();
    }
    target.hidden = !lens;
    button.setAttribute("aria-pressed", String(Boolean(lens)));
  };
  film.map.getViewport().addEventListener("pointermove", (event) => {
    if (!lens) return;
    const box = film.map.getViewport().getBoundingClientRect();
    place(film.map.getEventCoordinate(event), event.clientX - box.x, event.clientY - box.y);
  });
  film.map.on("moveend", () => lens && !byId("cross").hidden && atCross());
  return { toggle };
}
