// A plain line plot: one quantity along another, with the ends of both axes written out.

import { shape } from "./dom.js";

const [WIDE, HIGH, LEFT, LOW] = [320, 170, 8, 18];

export function plot(along, values, { unit = "mm", name = "gray value" } = {}) {
  const pairs = along.map((x, k) => [x, values[k]]).filter(([, y]) => Number.isFinite(y));
  if (pairs.length < 2) return null;
  const [xs, ys] = [pairs.map(([x]) => x), pairs.map(([, y]) => y)];
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const toX = (x) => LEFT + ((x - x0) / (x1 - x0 || 1)) * (WIDE - 2 * LEFT);
  const toY = (y) => HIGH - LOW - 4 - ((y - y0) / (y1 - y0 || 1)) * (HIGH - 2 * LOW - 8);
  const short = (value) => String(Number(value.toPrecision(5)));
  const text = (x, y, words, anchor) => shape("text", { x, y, "text-anchor": anchor }, words);
  return shape(
    "svg",
    { class: "plot", viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": `${name} from ${short(y0)} to ${short(y1)}` },
    shape("line", { class: "axis", x1: LEFT, x2: WIDE - LEFT, y1: HIGH - LOW, y2: HIGH - LOW }),
    shape("polyline", { points: pairs.map(([x, y]) => `${toX(x).toFixed(1)},${toY(y).toFixed(1)}`).join(" ") }),
    text(LEFT, 12, `${name} ${short(y0)} to ${short(y1)}`, "start"),
    text(LEFT, HIGH - 5, `${short(x0)} ${unit}`, "start"),
    text(WIDE - LEFT, HIGH - 5, `${short(x1)} ${unit}`, "end"),
  );
}
