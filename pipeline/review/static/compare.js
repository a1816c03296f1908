// A second strip of the same weld in the place of the first: locked, by turns, or their difference.

/* global ol */

import { byId, element, say, sayFault } from "./dom.js";
import { makePlaces } from "./places.js";
import { NOTHING, openPages, pyramidOf, readTile, stripSource, tileGridOf, tileSource } from "./pyramid.js";
import { ask } from "./server.js";

const FLICKER_MS = 500; // two changes a second, below the three flashes that WCAG 2.3.1 allows
const WAYS = [
  { name: "off", words: "this strip" },
  { name: "other", words: "the other" },
  { name: "flicker", words: "by turns" },
  { name: "difference", words: "difference" },
];

export function makeCompare(film, gray, facts) {
  const choice = byId("other");
  choice.append(...facts.others.map((one) => element("option", { value: one.key }, one.label)));
  const shown = { way: "off", layer: null, timer: 0, other: null, ask: 0 };
  const buttons = WAYS.map(({ name, words }) =>
    element("button", { type: "button", "data-way": name, onclick: () => set(name) }, words),
  );
  if (facts.others.length) byId("compare-choice").append(...buttons);
  else byId("compare-choice").append("There is no other result of this weld in the folder.");

  async function open(key) {
    if (shown.other?.key === key) return shown.other;
    const told = await ask(`/api/weld/${key}`);
    if (Math.abs(told.pitch_mm / facts.pitch_mm - 1) > 1e-4 || Math.abs(told.z_first_mm - facts.z_first_mm) > 20) {
      say("The two strips have different pixels or rows; they are laid over each other by millimetres.");
    }
    const places = makePlaces(told);
    const pyramid = pyramidOf(await openPages(`/weld/${key}/strip.tif`), places);
    shown.other = { key, places, pyramid };
    return shown.other;
  }
  const load = async (difference) => {
    const other = await open(choice.value);
    return moved(film, other, difference);
  };
  function clear() {
    clearInterval(shown.timer);
    if (!shown.layer) return;
    gray.undress(shown.layer);
    film.map.removeLayer(shown.layer);
    shown.layer.dispose();
    shown.layer = null;
  }
  async function set(way) {
    shown.ask += 1;
    const mine = shown.ask;
    clear();
    shown.way = way;
    for (const one of buttons) one.setAttribute("aria-pressed", String(one.dataset.way === way));
    const label = choice.selectedOptions[0]?.textContent ?? "";
    byId("compare-told").textContent = {
      off: "",
      other: `Shown: ${label}. Points, marks and measures are still this strip's.`,
      flicker: `This strip and ${label} by turns.`,
      difference: `${label} less this strip, mid-gray where they are equal, ${STRONGER} times stronger than in the gray window.`,
    }[way];
    if (way === "off") return film.map.render();
    try {
      const source = await load(way === "difference");
      if (mine !== shown.ask) return undefined;
      const layer = new ol.layer.WebGLTile({ source, cacheSize: 128, style: way === "difference" ? differenceStyle() : gray.style });
      shown.layer = layer;
      gray.dress(layer);
      film.map.getLayers().insertAt(1, layer);
      if (way === "flicker") shown.timer = setInterval(() => layer.setVisible(!layer.getVisible()), FLICKER_MS);
    } catch (error) {
      sayFault(error);
    }
    return undefined;
  }
  choice.addEventListener("change", () => set("off"));
  set("off");
  return { cycle: () => facts.others.length && set(WAYS[(WAYS.findIndex((one) => one.name === shown.way) + 1) % WAYS.length].name) };
}

// Differences are kept as gray values around 32768, so that the strip's own shader shows them.
const EVEN = 32768;
const STRONGER = 8;
const differenceStyle = () => ({
  variables: { gain: 1, base: 0 },
  color: [
    "color",
    ["clamp", ["+", 127.5, ["*", ["-", ["band", 1], EVEN], STRONGER, ["var", "gain"]]], 0, 255],
    ["case", ["<", ["band", 1], -0.5], 0, 1],
  ],
});

// The other strip on this one's plane: each of this strip's pixels takes what lies at its place.
function moved(film, { places, pyramid }, difference) {
  const mine = film.pyramid;
  const columns = (film.places.sFirst - places.sFirst) / places.pitch;
  const rows = (film.places.zFirst - places.zFirst) / places.pitch;
  const same = columns === 0 && rows === 0 && places.turn === film.places.turn && places.pitch === film.places.pitch && pyramid.images[0].getHeight() === mine.images[0].getHeight();
  if (same && !difference) return stripSource(pyramid);
  const levels = Math.min(mine.images.length, pyramid.images.length);
  const stretch = film.places.pitch / places.pitch;
  const load = async (level, tileX, tileY) => {
    const image = mine.images[level];
    const [wide, high] = [image.getTileWidth(), image.getTileHeight()];
    const scale = 2 ** level;
    const first = (k, size, start) => Math.floor((k * size * scale * stretch + start) / scale);
    const [left, top] = [first(tileX, wide, columns), first(tileY, high, rows)];
    const [own, others] = await Promise.all([
      readTile(mine, level, tileX, tileY),
      window_(pyramid, level, left, top, Math.ceil(wide * stretch) + 2, Math.ceil(high * stretch) + 2),
    ]);
    const found = new Float32Array(wide * high).fill(NOTHING);
    for (let i = 0; i < high; i += 1) {
      const row = Math.floor(((tileY * high + i + 0.5) * scale * stretch + rows) / scale) - top;
      for (let j = 0; j < wide; j += 1) {
        const column = Math.floor(((tileX * wide + j + 0.5) * scale * stretch + columns) / scale) - left;
        const value = others.values[row * others.wide + column];
        const base = own[i * wide + j];
        if (value === NOTHING || base === NOTHING) continue;
        found[i * wide + j] = difference ? EVEN + value - base : value;
      }
    }
    return found;
  };
  return tileSource(tileGridOf(mine, levels), load);
}

// Any window of a pyramid's level, put together from its tiles.
async function window_(pyramid, level, left, top, wide, high) {
  const image = pyramid.images[level];
  const [tileWide, tileHigh] = [image.getTileWidth(), image.getTileHeight()];
  const values = new Float32Array(wide * high).fill(NOTHING);
  const jobs = [];
  for (let ty = Math.max(0, Math.floor(top / tileHigh)); ty * tileHigh < top + high; ty += 1) {
    for (let tx = Math.floor(left / tileWide); tx * tileWide < left + wide; tx += 1) {
      jobs.push(
        readTile(pyramid, level, tx, ty).then((tile) => {
          for (let i = Math.max(0, top - ty * tileHigh); i < tileHigh && ty * tileHigh + i < top + high; i += 1) {
            const from = Math.max(0, left - tx * tileWide);
            const to = Math.min(tileWide, left + wide - tx * tileWide);
            const at = (ty * tileHigh + i - top) * wide + tx * tileWide + from - left;
            values.set(tile.subarray(i * tileWide + from, i * tileWide + to), at);
          }
        }),
      );
    }
  }
  await Promise.all(jobs);
  return { values, wide };
}
