// Lines and words drawn over the strip: painters are asked anew whenever the view has moved.

import { byId } from "./dom.js";

export function makeOverlay(film) {
  const canvas = byId("overlay");
  const paper = canvas.getContext("2d");
  const painters = new Set();
  const { map, places } = film;

  const onScreen = ([x, y]) => {
    drawn = true; // whoever asks where something is draws there
    return map.getPixelFromCoordinate([x, y]) ?? [-1e4, -1e4];
  };
  // Every x in view, with some room, at which a place of the ring is drawn.
  const eachX = (x, room, paint) => {
    const { left, right } = film.visible();
    if (!places.turn) return paint(x);
    for (let n = Math.ceil((left - room - x) / places.turn); x + n * places.turn <= right + room; n += 1) {
      paint(x + n * places.turn);
    }
    return undefined;
  };
  let drawn = false; // an empty canvas is left alone: the browser then needn't lay it over anew
  const draw = () => {
    const ratio = window.devicePixelRatio;
    const [wide, high] = map.getSize() ?? [0, 0];
    const [w, h] = [Math.round(wide * ratio), Math.round(high * ratio)];
    if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
    paper.setTransform(ratio, 0, 0, ratio, 0, 0);
    if (drawn) paper.clearRect(0, 0, wide, high);
    drawn = false;
    for (const paint of painters) paint(paper);
  };
  map.on("postrender", draw);

  // Words on a dark ground, so that they can be read on any gray, and within the pane.
  const label = (words, x, y, colour = "#e4e2de") => {
    const size = parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.8;
    paper.font = `${size}px system-ui, sans-serif`;
    const wide = paper.measureText(words).width + 8;
    const [pane] = map.getSize();
    const at = Math.max(2, Math.min(x, pane - wide - 2));
    paper.fillStyle = "rgba(0,0,0,0.8)";
    paper.fillRect(at, y - size - 3, wide, size + 7);
    paper.fillStyle = colour;
    paper.fillText(words, at + 4, y);
  };
  // A line that shows on black and on white: dark below, coloured above.
  const stroke = (points, colour, { closed = false, width = 1.5, dash = [] } = {}) => {
    paper.beginPath();
    points.map(onScreen).forEach(([x, y], k) => (k ? paper.lineTo(x, y) : paper.moveTo(x, y)));
    if (closed) paper.closePath();
    for (const [style, wide] of [["rgba(0,0,0,0.85)", width + 2.5], [colour, width]]) {
      paper.setLineDash(style === colour ? dash : []);
      [paper.strokeStyle, paper.lineWidth] = [style, wide];
      paper.stroke();
    }
    paper.setLineDash([]);
  };
  return {
    ...{ paper, onScreen, eachX, label, stroke },
    add: (paint) => painters.add(paint),
    redraw: () => map.render(),
  };
}
