// What the pointer does on the strip: move, gray, measure or mark; the same with Enter at the cross.

import { byId, element } from "./dom.js";
import { signal } from "./signal.js";

export const TOOLS = [
  { name: "move", words: "move", key: "v", points: 0, hint: "drag to move, click for a point and its frames" },
  { name: "window", words: "gray", key: "y", points: 0, hint: "drag sideways for the width, up and down for the level" },
  { name: "distance", words: "ruler", key: "r", points: 2, hint: "from one point to another" },
  { name: "profile", words: "profile", key: "p", points: 2, hint: "a line across what you want the gray values of" },
  { name: "snr", words: "noise", key: "n", points: 2, hint: "a box of even metal" },
  { name: "duplex", words: "duplex", key: "e", points: 2, hint: "a line across all pairs, from the widest on" },
  { name: "wires", words: "wires", key: "k", points: 2, hint: "a line across all wires of the gauge" },
  { name: "box", words: "box", key: "b", points: 2, mark: true, hint: "a box round what you see" },
  { name: "line", words: "line", key: "l", points: 2, mark: true, hint: "a line along what you see" },
  { name: "point", words: "point", key: ".", points: 1, mark: true, hint: "a point on what you see" },
];
const CLICK_PX = 6;

export function makePointer(film, overlay, { readOnly, finished, clicked, told }) {
  const tool = signal("move");
  film.tool = tool;
  const offered = TOOLS.filter((one) => !(one.mark && readOnly));
  const buttons = offered.map((one) =>
    element(
      "button",
      { type: "button", title: `${one.hint} (${one.key})`, "data-tool": one.name, onclick: () => tool.set(one.name) },
      one.words,
    ),
  );
  byId("tool-choice").append(...buttons);
  const current = () => TOOLS.find((one) => one.name === tool.get());
  let points = [];
  let hover = null;
  const cancel = () => {
    points = [];
    overlay.redraw();
  };
  tool.watch((name) => {
    for (const one of buttons) one.setAttribute("aria-pressed", String(one.dataset.tool === name));
    film.moving.drag = name === "move";
    byId("film").dataset.pointer = name;
    cancel();
    if (name !== "move") told(current().hint);
  });

  // One point more: from a click, the end of a drag, or Enter.
  const put = (at) => {
    const one = current();
    if (!one.points) {
      if (one.name === "move") clicked(at);
      return;
    }
    points.push(at);
    if (points.length < one.points) overlay.redraw();
    else {
      const drawn = points;
      cancel();
      finished(one, inMillimetres(film.places, drawn[0], drawn.at(-1)));
    }
  };

  overlay.add(() => {
    if (!points.length || !hover) return;
    const [[x0, y0], [x1, y1]] = [points[0], hover];
    const box = ["box", "snr"].includes(tool.get());
    const corners = box ? [[x0, y0], [x1, y0], [x1, y1], [x0, y1]] : [[x0, y0], [x1, y1]];
    overlay.stroke(corners, "#f2b36b", { closed: box });
  });

  listen(film, {
    put,
    cancel,
    draws: () => current().points === 2,
    started: () => points.length,
    over(at) {
      hover = at;
      if (points.length) overlay.redraw();
    },
  });
  return { tool, cancel, put, offered, putAtCross: () => put(film.view.getCenter()), drawing: () => points.length > 0 };
}

function listen(film, { put, cancel, draws, started, over }) {
  const pane = film.map.getViewport();
  const fingers = new Set();
  let down = null;
  const at = (event) => film.map.getEventCoordinate(event);
  pane.addEventListener("pointerdown", (event) => {
    fingers.add(event.pointerId);
    byId("cross").hidden = true;
    if (fingers.size > 1) {
      down = null;
      cancel(); // the second finger means zooming
    } else if (event.button === 0) {
      down = { x: event.clientX, y: event.clientY, began: false };
      if (draws()) pane.setPointerCapture(event.pointerId);
    }
  });
  pane.addEventListener("pointermove", (event) => {
    const far = down && Math.hypot(event.clientX - down.x, event.clientY - down.y) > CLICK_PX;
    if (far && draws() && !started()) {
      put(at({ clientX: down.x, clientY: down.y }));
      down.began = true;
    }
    if (far && !draws()) down = null;
    over(at(event));
  });
  const up = (event) => {
    fingers.delete(event.pointerId);
    if (event.type === "pointerup" && down && (event.button === 0 || event.pointerType === "touch")) put(at(event));
    down = null;
  };
  for (const name of ["pointerup", "pointercancel"]) pane.addEventListener(name, up);
}

// Two places of the plane in millimetres; on a ring the second may lie past the datum.
function inMillimetres(places, [x0, y0], [x1, y1]) {
  const s0 = places.sOf(x0);
  const [z0, z1] = [places.zOf(y0), places.zOf(y1)];
  return { s0, z0, s1: s0 + (x1 - x0) * places.pitch, z1 };
}
