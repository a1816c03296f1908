// The whole ring as a clock dial: the strip bent round it, what is shown now, what was seen.

import { byId, shape } from "./dom.js";
import { pool } from "./pyramid.js";

const SIDE = 400; // the drawing's own units
const [RIM, FILM_OUT, FILM_IN, SEEN] = [150, 142, 96, 88];
const FOLLOW_MS = 80; // the dial needn't keep up with each frame of the film
const point = (turns, radius) => {
  const angle = (turns - 0.25) * 2 * Math.PI;
  return [SIDE / 2 + radius * Math.cos(angle), SIDE / 2 + radius * Math.sin(angle)];
};
const arc = (from, to, radius) => {
  const long = (((to - from) % 1) + 1) % 1;
  const whole = to - from >= 0.9999;
  const end = whole ? from + 0.9999 : from + long;
  const [x0, y0] = point(from, radius);
  const [x1, y1] = point(end, radius);
  return `M${x0} ${y0}A${radius} ${radius} 0 ${end - from > 0.5 ? 1 : 0} 1 ${x1} ${y1}`;
};

export function makeDial(film, gray, facts) {
  const { places, view } = film;
  const svg = byId("dial-drawing");
  const clock = [];
  for (let hour = 0; hour < 12; hour += 1) {
    const [x, y] = point(hour / 12, 174);
    const [ax, ay] = point(hour / 12, RIM);
    const [bx, by] = point(hour / 12, RIM + 7);
    clock.push(shape("line", { x1: ax, y1: ay, x2: bx, y2: by, class: "dial-tick" }));
    clock.push(shape("text", { x, y, class: "dial-hour" }, String(hour || 12)));
  }
  const layers = ["seen", "seams", "marks", "now"].map((name) => shape("g", { class: `dial-${name}` }));
  const [seen, seams, marks, now] = layers;
  const place = shape("text", { x: SIDE / 2, y: SIDE / 2 - 12, class: "dial-clock" });
  const away = shape("text", { x: SIDE / 2, y: SIDE / 2 + 26, class: "dial-mm" });
  svg.append(
    shape("circle", { cx: SIDE / 2, cy: SIDE / 2, r: SEEN, class: "dial-unseen" }),
    ...[...clock, ...layers, place, away],
  );
  const span = (s0, s1, radius, kind) => {
    const [a, b] = [places.turnsOf(s0), places.turnsOf(s0) + (s1 - s0) / places.around];
    const back = facts.direction === "counterclockwise";
    const [from, to] = back ? [a - (b - a), a] : [a, b];
    return shape("path", { d: arc(from, to, radius), class: kind });
  };
  for (const seam of facts.seams) {
    const [x1, y1] = point(places.turnsOf(seam.s_mm), FILM_OUT);
    const [x2, y2] = point(places.turnsOf(seam.s_mm), RIM);
    seams.append(shape("line", { x1, y1, x2, y2 }));
  }

  const follow = () => {
    const { left, right } = film.visible();
    const [s, s0] = [places.sOf(view.getCenter()[0]), places.sOf(left)];
    now.replaceChildren(
      span(s0, s0 + (right - left) * places.pitch, (FILM_OUT + FILM_IN) / 2, "dial-window"),
      span(s0, s0 + (right - left) * places.pitch, FILM_IN - 2, "dial-window-edge"),
      span(s0, s0 + (right - left) * places.pitch, FILM_OUT + 2, "dial-window-edge"),
    );
    place.textContent = places.clockText(s);
    away.textContent = `${s.toFixed(0)} mm`;
    svg.setAttribute("aria-valuenow", s.toFixed(0));
    svg.setAttribute("aria-valuetext", `${places.clockText(s)}, ${s.toFixed(0)} mm from the datum`);
  };
  let following = 0;
  film.map.on("postrender", () => {
    following ||= setTimeout(() => {
      following = 0;
      follow();
    }, FOLLOW_MS);
  });

  film.map.once("rendercomplete", () => bend(film, gray)); // the film comes first
  steer(svg, film);
  return {
    showSeen(whole, part) {
      const arcs = [[part, "dial-part-seen"], [whole, "dial-was-seen"]];
      seen.replaceChildren(...arcs.flatMap(([ranges, kind]) => ranges.map(([a, b]) => span(a, b, SEEN, kind))));
    },
    showMarks(list) {
      const dots = list.map((mark) => {
        const [cx, cy] = point(places.turnsOf((mark.s0 + mark.s1) / 2), RIM - 4);
        return shape("circle", { cx, cy, r: 5 });
      });
      marks.replaceChildren(...dots);
    },
  };
}

// Pointing at the dial, or its arrow keys, moves the view to that place.
function steer(svg, film) {
  const { places } = film;
  svg.setAttribute("aria-valuemin", "0");
  svg.setAttribute("aria-valuemax", places.around.toFixed(0));
  const jump = (event) => {
    const box = svg.getBoundingClientRect();
    const [dx, dy] = [event.clientX - box.x - box.width / 2, event.clientY - box.y - box.height / 2];
    const turns = Math.atan2(dy, dx) / (2 * Math.PI) + 0.25;
    film.goTo(places.xNear(places.sOfTurns(turns), film.view.getCenter()[0]));
  };
  svg.addEventListener("pointerdown", (event) => {
    svg.setPointerCapture(event.pointerId);
    jump(event);
  });
  svg.addEventListener("pointermove", (event) => event.buttons && jump(event));
  svg.addEventListener("keydown", (event) => {
    const steps = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!steps) return;
    event.preventDefault();
    event.stopPropagation();
    film.section(steps);
  });
}

// The strip's coarsest overview, bent round the dial in the same grays as the film.
async function bend(film, gray) {
  const { pyramid, places } = film;
  const canvas = byId("dial-film");
  const side = canvas.width;
  const paper = canvas.getContext("2d");
  const fits = pyramid.images.findLastIndex((image) => image.getWidth() >= 900);
  const level = Math.max(0, fits);
  const image = pyramid.images[level];
  const [values] = await image.readRasters({ samples: [0], pool });
  const [wide, high] = [image.getWidth(), image.getHeight()];
  const spots = bentPlaces(side, (part, s) => {
    const column = Math.floor(places.xOf(s) / 2 ** level);
    return column < 0 || column >= wide ? -1 : Math.floor(part * high) * wide + column;
  });
  const drawn = paper.createImageData(side, side);
  const draw = ({ low, high: white, negative }) => {
    const screen = new Uint32Array(drawn.data.buffer);
    for (const [at, from] of spots) {
      const light = Math.min(1, Math.max(0, (values[from] - low) / (white - low)));
      screen[at] = 0xff000000 + 0x10101 * Math.round(255 * (negative ? 1 - light : light));
    }
    paper.putImageData(drawn, 0, 0);
  };
  let waiting = 0;
  gray.state.watch((now) => {
    cancelAnimationFrame(waiting);
    waiting = requestAnimationFrame(() => draw(now));
  });

  // For each of the canvas's pixels on the ring, which of the image's it shows.
  function bentPlaces(size, find) {
    const unit = size / SIDE;
    const found = [];
    for (let i = 0; i < size; i += 1) {
      for (let j = 0; j < size; j += 1) {
        const [dx, dy] = [j + 0.5 - size / 2, i + 0.5 - size / 2];
        const part = (FILM_OUT - Math.hypot(dx, dy) / unit) / (FILM_OUT - FILM_IN);
        if (part < 0 || part >= 1) continue;
        const from = find(part, places.sOfTurns(Math.atan2(dy, dx) / (2 * Math.PI) + 0.25));
        if (from >= 0) found.push([i * size + j, from]);
      }
    }
    return found;
  }
}
