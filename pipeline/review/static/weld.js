// The page of one weld: its parts are made and joined here.

import { makeCompare } from "./compare.js";
import { makeDial } from "./dial.js";
import { byId, element, say } from "./dom.js";
import { makeFilm, STEP } from "./film.js";
import { makeGray } from "./gray.js";
import { makeGrayPanel } from "./gray_panel.js";
import { makeKeys } from "./keys.js";
import { makeLayers } from "./layers.js";
import { makeLens } from "./lens.js";
import { makeMarks } from "./marks.js";
import { makeMeasures } from "./measures.js";
import { makeOverlay } from "./overlay.js";
import { makePanels } from "./panels.js";
import { makePlaces } from "./places.js";
import { makePointer } from "./pointer.js";
import { makePrint } from "./print.js";
import { makeProbe } from "./probe.js";
import { openPages, pyramidOf } from "./pyramid.js";
import { makeScale } from "./scale.js";
import { makeSeen } from "./seen.js";
import { ask } from "./server.js";
import { remembered } from "./signal.js";
import { makeSpot } from "./spot.js";

const STEP_PX = 80;
const PRELOAD = 3; // coarser levels fetched ahead, so that fast panning meets no empty ground
const GRAY_STEP = 0.04;
const key = decodeURIComponent(location.pathname.split("/").filter(Boolean).at(-1));

function tellWeld(facts) {
  const name = [facts.weld, facts.shot].filter(Boolean).join(" ");
  document.title = `${name} – girthstrip review`;
  byId("weld-name").textContent = name;
  byId("weld-verdict").textContent = facts.verdict ?? "";
  byId("weld-verdict").classList.add(facts.verdict ?? "none");
  byId("read-only").hidden = !facts.read_only;
  byId("cautions").append(...facts.cautions.map((words) => element("li", {}, words)));
  const short = (value) => (typeof value === "number" ? Number(value.toPrecision(4)) : (value ?? "–"));
  const row = (check) =>
    element(
      "tr",
      { title: check.note ?? "" },
      element("th", { scope: "row" }, check.id),
      element("td", {}, `${short(check.value)} ${check.unit ?? ""}`),
      element("td", { class: check.verdict }, check.verdict),
    );
  byId("checks").append(element("table", { class: "checks" }, ...facts.checks.map(row)));
}

async function start() {
  const bright = remembered("bright", false);
  bright.watch((on) => document.body.classList.toggle("bright", on));
  byId("bright").checked = bright.get();
  byId("bright").addEventListener("change", (event) => bright.set(event.target.checked));

  const [facts, pages] = await Promise.all([ask(`/api/weld/${key}`), openPages(`/weld/${key}/strip.tif`)]);
  tellWeld(facts);
  const places = makePlaces(facts);
  const gray = makeGray(facts.windows[0] ?? { low: 0, high: 65535 });
  const film = makeFilm(byId("film"), pyramidOf(pages, places), places, gray);
  film.fitAcross();
  film.map.once("rendercomplete", () => {
    performance.mark("girthstrip-first-picture");
    film.layer.setPreload(PRELOAD);
    document.body.dataset.ready = "true";
  });
  join(film, gray, facts);
}

function join(film, gray, facts) {
  const readOnly = facts.read_only;
  const overlay = makeOverlay(film);
  const dial = makeDial(film, gray, facts);
  const panels = makePanels(film.resized);
  const grayPanel = makeGrayPanel(film, gray, facts, key);
  const layers = makeLayers(film, overlay, facts, key);
  const probe = makeProbe(film, overlay, key, gray);
  const spot = makeSpot(film, gray, key, facts);
  const measures = makeMeasures(film, overlay, key, panels.show);
  const marks = makeMarks(film, overlay, dial, key, { words: facts.words, readOnly });
  const seen = makeSeen(film, dial, key, { readOnly });
  const compare = makeCompare(film, gray, facts);
  const lens = makeLens(film, gray);
  const scale = makeScale(film);
  makePrint(film, gray, marks, facts);
  const pointer = makePointer(film, overlay, {
    readOnly,
    told: say,
    clicked(at) {
      if (!probe.pin(at)) return;
      panels.show("spot");
      spot.look(at);
    },
    finished(tool, place) {
      if (!tool.mark) measures.measure(tool, place);
      else {
        panels.show("marks");
        marks.add(tool.name, place);
      }
    },
  });
  const escape = () => {
    if (pointer.drawing()) pointer.cancel();
    else if (pointer.tool.get() !== "move") pointer.tool.set("move");
    else if (probe.pinned()) probe.pin(null);
    else panels.show(null);
    byId("film").focus();
  };
  film.map.on("moveend", () => !byId("cross").hidden && probe.soon(film.view.getCenter()));
  new ResizeObserver(film.resized).observe(byId("film").parentElement);

  const does = {
    across: film.fitAcross,
    pixels: film.onePixel,
    millimetres: scale.oneMillimetre,
    closer: () => film.zoomBy(1 / STEP),
    further: () => film.zoomBy(STEP),
    turn: film.turn,
    lens: lens.toggle,
    back: () => film.section(-1),
    on: () => film.section(1),
  };
  for (const button of document.querySelectorAll("[data-does]")) {
    button.addEventListener("click", does[button.dataset.does]);
  }
  makeKeys([
    ...moves(film),
    { key: "Enter", words: "a point at the cross", cross: true, run: pointer.putAtCross },
    { key: "Escape", words: "give up, step by step", run: escape },
    { key: " ", words: "next section", run: does.on },
    { key: " ", shift: true, words: "previous section", run: does.back },
    { key: "PageDown", words: "next section", run: does.on },
    { key: "PageUp", words: "previous section", run: does.back },
    { key: "Home", words: "to the datum", run: () => film.goTo(film.places.xNear(film.places.turn ? 0 : film.places.sFirst, film.view.getCenter()[0])) },
    { key: "w", words: "next place not looked at yet", run: seen.nextUnseen },
    { key: "+", words: "closer", run: does.closer },
    { key: "-", words: "further away", run: does.further },
    { key: "0", words: "whole width", run: does.across },
    { key: "1", words: "1:1 pixels", run: does.pixels },
    { key: "2", words: "1:1 millimetres", run: does.millimetres },
    { key: "t", words: "turn the film", run: does.turn },
    { key: "z", words: "magnifier", run: does.lens },
    { key: "x", words: "negative or positive", run: gray.invert },
    { key: "j", words: "gray window of what is visible", run: grayPanel.ofVisible },
    { key: "ArrowUp", shift: true, words: "gray window up", run: () => gray.level(GRAY_STEP) },
    { key: "ArrowDown", shift: true, words: "gray window down", run: () => gray.level(-GRAY_STEP) },
    { key: "ArrowRight", shift: true, words: "gray window wider", run: () => gray.widen(1 + GRAY_STEP) },
    { key: "ArrowLeft", shift: true, words: "gray window narrower", run: () => gray.widen(1 / (1 + GRAY_STEP)) },
    ...pointer.offered.map((tool) => ({ key: tool.key, words: `pointer: ${tool.words}`, run: () => pointer.tool.set(tool.name) })),
    ...layers.keys.map((one) => ({ ...one, words: `layer: ${one.words}` })),
    { key: "C", shift: true, words: "compare: next way", run: compare.cycle },
    ...panels.keys,
  ]);
  if (window.innerWidth >= 1700) panels.show("gray");
}

// Arrow keys point where they point on the screen, however the film lies.
function moves(film) {
  const step = (right, down, pixels) => () =>
    film.upright.get() ? film.moveBy(down * pixels(), right * pixels()) : film.moveBy(right * pixels(), down * pixels());
  const steps = { ArrowDown: [0, 1], ArrowUp: [0, -1], ArrowRight: [1, 0], ArrowLeft: [-1, 0] };
  const one = () => 1 / film.view.getResolution();
  const words = { ArrowDown: "down", ArrowUp: "up", ArrowRight: "right", ArrowLeft: "left" };
  return Object.entries(steps).flatMap(([name, [right, down]]) => [
    { key: name, words: `move ${words[name]}`, cross: true, run: step(right, down, () => STEP_PX) },
    { key: name, alt: true, words: `one pixel ${words[name]}`, cross: true, run: step(right, down, one) },
  ]);
}

start().catch((error) => {
  byId("weld-name").textContent = "This weld can't be shown";
  say(error.message, { fault: true });
});
