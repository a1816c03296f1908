// What may lie over the strip, in its own place: seams, filled pixels, and one coloured figure.

/* global ol */

import { byId, element, sayFault } from "./dom.js";
import { COARSEST, mapSource } from "./map_source.js";
import { openPages } from "./pyramid.js";
import { ask } from "./server.js";

// From good to bad, dark blue over teal to yellow: told apart without red and green.
const RAMP = [[35, 60, 140], [20, 120, 140], [70, 165, 110], [190, 185, 60], [255, 225, 90]];
const OPACITY = 0.5;
// `spread`: single pixels lie that far beyond the means along the strip.
const FIGURES = [
  { name: "none", words: "nothing", key: null },
  { name: "count", words: "coverage: frames that saw it", along: "count_min", unit: "frames", key: "h", map: true, less: true },
  { name: "noise", words: "predicted noise", along: "noise_gv", unit: "gray values", key: "o", map: true, spread: 0.25 },
  { name: "disagreement", words: "disagreement of frames", along: "disagreement", unit: "of their noise", key: "d" },
  { name: "position", words: "position uncertainty", along: "position_sigma_mm", unit: "mm", key: "u" },
];

export function makeLayers(film, overlay, facts, key) {
  const { places } = film;
  const on = { seams: false, filled: false, figure: "none" };
  const state = { along: null, pages: null, shown: new Map() };

  const along = async () => (state.along ??= await ask(`/api/weld/${key}/along`));
  const pages = async () => (state.pages ??= await openPages(`/weld/${key}/maps.tif`));

  const numbers = (figure) =>
    (state.along?.[figure.along] ?? []).filter((value) => Number.isFinite(value));
  const range = (figure) => {
    const found = numbers(figure);
    if (!found.length) return null;
    const [low, high] = [found.reduce((a, b) => Math.min(a, b)), found.reduce((a, b) => Math.max(a, b))];
    if (figure.spread) return { low: low * (1 - figure.spread), high: high * (1 + figure.spread) };
    return { low, high: high > low ? high : low + (Math.abs(low) || 1) * 0.01 };
  };

  // Pixels of a map: shown while it is near enough, coloured in the shader.
  async function showMap(name, color) {
    const source = mapSource(await pages(), film.pyramid, name);
    const layer = new ol.layer.WebGLTile({ source, style: { color }, cacheSize: 64, maxResolution: COARSEST * 1.5 });
    film.map.addLayer(layer);
    state.shown.set(name, layer);
  }
  function hideMap(name) {
    const layer = state.shown.get(name);
    if (!layer) return;
    film.map.removeLayer(layer);
    layer.dispose();
    state.shown.delete(name);
  }
  const ramp = (low, high, less) => {
    const colours = less ? [...RAMP].reverse() : RAMP;
    const stops = colours.flatMap((rgb, k) => [
      low + ((high - low) * k) / (RAMP.length - 1),
      ["color", ...rgb, OPACITY],
    ]);
    return ["case", ["<", ["band", 1], -0.5], ["color", 0, 0, 0, 0], ["interpolate", ["linear"], ["band", 1], ...stops]];
  };
  const filledColour = [
    "case",
    ["<", ["abs", ["-", ["band", 1], 1]], 0.5], ["color", 0, 0, 0, 0],
    ["<", ["band", 1], -0.5], ["color", 0, 0, 0, 0],
    ["<", ["band", 1], 0.5], ["color", 255, 90, 200, 0.75],
    ["color", 255, 225, 90, 0.9],
  ];

  async function set(name, value) {
    on[name] = value;
    try {
      if (name === "filled") {
        hideMap("filled");
        if (value) await Promise.all([along(), showMap("filled", filledColour)]);
      }
      if (name === "figure") {
        for (const figure of FIGURES) hideMap(figure.name);
        const figure = FIGURES.find((one) => one.name === value);
        if (figure.along && !state.along) byId("layer-legend").replaceChildren("reading the maps …");
        if (figure.along) await along();
        const bounds = figure.along && range(figure);
        if (figure.map && bounds && on.figure === value) {
          const scale = value === "noise" ? facts.sigma_scale : 1; // the map's steps to gray values
          await showMap(value, ramp(bounds.low / scale, bounds.high / scale, figure.less));
        }
        legend(figure, bounds);
      }
    } catch (error) {
      sayFault(error);
    }
    show();
    overlay.redraw();
  }
  function legend(figure, bounds) {
    const bar = element("canvas", { class: "legend", width: 100, height: 1, "aria-hidden": "true" });
    bar.style.width = "100%";
    const paper = bar.getContext("2d");
    for (let k = 0; k < 100; k += 1) {
      paper.fillStyle = `rgb(${colourAt(figure.less ? 1 - k / 99 : k / 99)})`;
      paper.fillRect(k, 0, 1, 1);
    }
    const short = (value) => Number(value.toPrecision(3));
    const words = bounds
      ? [bar, element("p", { class: "ends" }, element("span", {}, `${short(bounds.low)}`), element("span", {}, figure.unit), element("span", {}, `${short(bounds.high)}`))]
      : figure.along ? [element("p", { class: "fault" }, "The log tells nothing of this.")] : [];
    byId("layer-legend").replaceChildren(...words);
  }

  overlay.add((paper) => {
    const figure = FIGURES.find((one) => one.name === on.figure);
    const near = film.view.getResolution() <= COARSEST * 1.5;
    if (figure.along && !(figure.map && near)) bands(paper, figure.along, range(figure), figure.less);
    if (on.filled && !near) bands(paper, "filled_percent", { low: 0, high: 1 }, false, true);
    if (on.seams) seams();
  });
  // The figures along the strip as bands right across it.
  function bands(paper, name, bounds, less, onlyAbove = false) {
    if (!bounds || !state.along) return;
    const { left, right } = film.visible();
    const s = state.along.s_mm;
    const wide = ((s.at(-1) - s[0]) / Math.max(1, s.length - 1)) / places.pitch;
    paper.globalAlpha = OPACITY;
    s.forEach((at, k) => {
      const value = state.along[name][k];
      if (!Number.isFinite(value) || (onlyAbove && value <= 0)) return;
      const part = Math.min(1, Math.max(0, (value - bounds.low) / (bounds.high - bounds.low)));
      overlay.eachX(places.xOf(at), wide, (x) => {
        if (x + wide < left || x - wide > right || (places.turn && places.xOf(at) > places.turn)) return;
        const [ax, ay] = overlay.onScreen([x - wide / 2, 0]);
        const [bx, by] = overlay.onScreen([x + wide / 2, -places.rows]);
        paper.fillStyle = `rgb(${colourAt(less ? 1 - part : part)})`;
        paper.fillRect(ax, ay, bx - ax, by - ay);
      });
    });
    paper.globalAlpha = 1;
  }
  function seams() {
    for (const seam of facts.seams) {
      overlay.eachX(places.xOf(seam.s_mm), 50, (x) => {
        overlay.stroke([[x, 0], [x, -places.rows]], "#7fc4ff", { width: 1, dash: [6, 5] });
        const { top, bottom } = film.visible();
        const [ax, ay] = overlay.onScreen([x, film.upright.get() ? bottom : top]);
        const agree = Number.isFinite(seam.disagreement) ? `, disagreement ${seam.disagreement.toFixed(2)}` : "";
        overlay.label(`seam ${seam.number}${agree}`, ax + 4, ay + (film.upright.get() ? -6 : 60 + 26 * (seam.number % 3)), "#9fd2ff");
        if (Number.isFinite(seam.disagreement_s_mm) && on.figure === "disagreement") {
          const [px, py] = [places.xNear(seam.disagreement_s_mm, x), places.yOf(seam.disagreement_z_mm)];
          const arm = 7 * film.view.getResolution();
          overlay.stroke([[px - arm, py - arm], [px + arm, py + arm]], "#ffe15a");
          overlay.stroke([[px - arm, py + arm], [px + arm, py - arm]], "#ffe15a");
        }
      });
    }
  }
  const show = choices(on, set);
  return { ...keys(on, set), state: on };
}

const colourAt = (part) => {
  const at = part * (RAMP.length - 1);
  const k = Math.min(RAMP.length - 2, Math.floor(at));
  return RAMP[k].map((low, c) => Math.round(low + (RAMP[k + 1][c] - low) * (at - k))).join(",");
};

const SWITCHES = [
  { name: "seams", words: "seams", key: "s" },
  { name: "filled", words: "filled in (yellow) and never covered (pink)", key: "f" },
];

// The check boxes and the choice of one figure; gives what makes them show the state.
function choices(on, set) {
  const boxes = SWITCHES.map(({ name, words, key }) => {
    const box = element("input", { type: "checkbox", id: `layer-${name}`, onchange: () => set(name, box.checked) });
    byId("layer-choice").append(element("label", { class: "check" }, box, `${words} (${key})`));
    return [name, box];
  });
  const radios = FIGURES.map(({ name, words, key }) => {
    const radio = element("input", { type: "radio", name: "figure", id: `layer-${name}`, onchange: () => set("figure", name) });
    byId("layer-choice").append(element("label", { class: "check" }, radio, key ? `${words} (${key})` : words));
    return [name, radio];
  });
  const show = () => {
    for (const [name, box] of boxes) box.checked = on[name];
    for (const [name, radio] of radios) radio.checked = on.figure === name;
  };
  show();
  return show;
}

function keys(on, set) {
  const figures = FIGURES.filter((one) => one.key).map(({ name, words, key }) => ({
    ...{ key, words },
    run: () => set("figure", on.figure === name ? "none" : name),
  }));
  const switches = SWITCHES.map(({ name, words, key }) => ({ key, words, run: () => set(name, !on[name]) }));
  return { keys: [...switches, ...figures] };
}
