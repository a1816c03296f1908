// The strip on the screen: one map whose view runs along the strip without end, upright by default.

/* global ol */

import "./plain_canvas.js";

import { projection, stripSource } from "./pyramid.js";
import { signal } from "./signal.js";

const UPRIGHT = Math.PI / 2; // turned clockwise, never mirrored: s runs down the screen
const CLOSEST = 1 / 32;
const STEP = Math.SQRT2;

export function makeFilm(target, pyramid, places, gray) {
  onWholePixels(target);
  const source = stripSource(pyramid);
  const layer = new ol.layer.WebGLTile({ source, style: gray.style, cacheSize: 128 });
  gray.dress(layer);
  const far = places.turn ? 1e7 : places.columns;
  const view = new ol.View({
    projection,
    center: [places.xOf(places.turn ? 0 : places.sFirst) + 1, -places.rows / 2],
    resolution: 1,
    rotation: UPRIGHT,
    ...{ minResolution: CLOSEST, maxResolution: Math.max(places.rows, places.columns) / 200, constrainResolution: false },
    extent: [places.turn ? -1e7 : 0, -places.rows, far, 0],
    ...{ constrainOnlyCenter: true, smoothExtentConstraint: false, enableRotation: true },
    constrainRotation: false,
  });
  const moving = { drag: true };
  const map = new ol.Map({
    ...{ target, view, layers: [layer], controls: [] },
    interactions: [
      new ol.interaction.DragPan({
        condition: (event) => moving.drag || event.originalEvent.button === 1,
        kinetic: new ol.Kinetic(-0.005, 0.05, 100),
      }),
      new ol.interaction.PinchZoom(),
    ],
    maxTilesLoading: 8,
    pixelRatio: window.devicePixelRatio,
  });

  const size = () => map.getSize() ?? [1, 1];
  const upright = signal(true);
  const along = () => size()[upright.get() ? 1 : 0];
  const across = () => size()[upright.get() ? 0 : 1];

  // At whole pixels to the screen's pixel, strip pixels must lie on screen pixels, not between.
  const snap = () => {
    const resolution = view.getResolution();
    const per = resolution / window.devicePixelRatio;
    const whole = per <= 1 ? 1 / per : per;
    if (Math.abs(whole - Math.round(whole)) > 1e-6) return;
    const lay = (value, pixels) => {
      const half = (pixels * window.devicePixelRatio * per) / 2;
      return Math.round((value - half) / per) * per + half;
    };
    const [x, y] = view.getCenter();
    view.setCenter([lay(x, along()), -lay(-y, across())]);
  };
  map.on("moveend", snap);

  // Never more than one turn of the ring, or all of an arc, on the screen.
  const furthest = () => Math.max((places.rows * 1.02) / across(), places.columns / along());
  let fitted = false; // whether the whole width is to stay in view when the pane changes its size
  const zoomTo = (resolution, anchor = undefined) => {
    fitted = false;
    view.cancelAnimations();
    const bounded = Math.min(furthest(), Math.max(CLOSEST, resolution));
    view.adjustResolution(bounded / view.getResolution(), anchor);
    map.render();
  };
  const zoomBy = (factor, anchor) => zoomTo(view.getResolution() * factor, anchor);

  const moveBy = (alongPixels, acrossPixels = 0) => {
    const [x, y] = view.getCenter();
    const resolution = view.getResolution();
    const rowsDown = upright.get() ? acrossPixels : -acrossPixels;
    view.setCenter([x + alongPixels * resolution, y + rowsDown * resolution]);
  };
  const goTo = (x, y = view.getCenter()[1]) => {
    view.cancelAnimations();
    view.setCenter([x, y]);
  };

  const wheel = (event) => {
    event.preventDefault();
    const unit = event.deltaMode === 1 ? 32 : event.deltaMode === 2 ? along() : 1;
    if (event.ctrlKey || event.metaKey) {
      const anchor = map.getEventCoordinate(event);
      zoomBy(STEP ** (Math.sign(event.deltaY) * Math.min(1, Math.abs(event.deltaY) / 100)), anchor);
    } else if (event.shiftKey) moveBy(0, (event.deltaX || event.deltaY) * unit);
    else moveBy(event.deltaY * unit, event.deltaX * unit);
  };
  map.getViewport().addEventListener("wheel", wheel, { passive: false });

  // What is on the screen, in plane coordinates; only what lies on the strip.
  const visible = () => {
    const [x, y] = view.getCenter();
    const resolution = view.getResolution();
    const [halfX, halfY] = [(along() * resolution) / 2, (across() * resolution) / 2];
    const [left, right] = places.turn
      ? [x - Math.min(halfX, places.turn / 2), x + Math.min(halfX, places.turn / 2)]
      : [Math.max(0, x - halfX), Math.min(places.columns, x + halfX)];
    const [top, bottom] = [Math.min(0, y + halfY), Math.max(-places.rows, y - halfY)];
    return { left, right, top, bottom };
  };
  const visibleMm = () => {
    const { left, right, top, bottom } = visible();
    const s0 = places.sOf(left + 0.5);
    const s1 = s0 + (right - left - 1) * places.pitch;
    return { s0, s1, z0: places.zOf(top - 0.5), z1: places.zOf(bottom + 0.5) };
  };

  const fitAcross = () => {
    zoomTo((places.rows * 1.02) / across());
    goTo(view.getCenter()[0], -places.rows / 2);
    fitted = true;
  };
  view.on("change:resolution", () => {
    if (view.getInteracting()) fitted = false;
  });
  return {
    ...{ map, view, layer, source, places, pyramid, upright, moving, visible, visibleMm },
    ...{ fitAcross, zoomTo, zoomBy, moveBy, goTo, snap, along, across },
    onePixel: () => zoomTo(1 / window.devicePixelRatio) || snap(),
    oneMillimetre: (screenPerMm) => zoomTo(1 / (places.pitch * screenPerMm)),
    section: (steps) => moveBy(steps * along() * 0.9),
    turn() {
      upright.set(!upright.get());
      view.setRotation(upright.get() ? UPRIGHT : 0);
      if (fitted) fitAcross();
    },
    resized() {
      onWholePixels(target);
      map.updateSize();
      if (fitted) fitAcross();
    },
    // Screen pixels to one strip pixel: 1 or more is what counts as looked at.
    closeness: () => window.devicePixelRatio / view.getResolution(),
  };
}

// A pane between two of the screen's pixels would have its picture mixed from neighbours.
function onWholePixels(target) {
  const box = target.parentElement.getBoundingClientRect();
  const ratio = window.devicePixelRatio;
  const up = (value) => Math.ceil(value * ratio - 1e-3) / ratio;
  const down = (value) => Math.floor(value * ratio + 1e-3) / ratio;
  const [left, top] = [up(box.left), up(box.top)];
  target.style.inset = "auto";
  target.style.left = `${left - box.left}px`;
  target.style.top = `${top - box.top}px`;
  target.style.width = `${down(box.right) - left}px`;
  target.style.height = `${down(box.bottom) - top}px`;
}

export { STEP };
