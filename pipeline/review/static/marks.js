// Indications: drawn, saved at once, changed and taken back; nothing is lost to another tab.

import { byId, element, say, sayFault } from "./dom.js";
import { ask, tell } from "./server.js";
import { markRow } from "./mark_row.js";
import { somebodyIsHere } from "./presence.js";
import { remembered } from "./signal.js";

const COLOUR = "#ff9a94";
const CHOSEN = "#f2b36b";
const LOOK_AGAIN_MS = 15000; // for what other tabs have written

export function makeMarks(film, overlay, dial, key, { words, readOnly }) {
  const { places } = film;
  const path = `/api/weld/${key}/marks`;
  const author = remembered("author", "");
  let state = { version: 0, marks: [] };
  let chosen = null;
  const word = byId("word");
  word.append(...words.map((one) => element("option", {}, one)));
  byId("author").value = author.get();
  byId("author").addEventListener("change", (event) => author.set(event.target.value.trim()));
  document.querySelector(".writing").hidden = readOnly;
  byId("export").href = `/api/weld/${key}/export.csv`;

  const show = (next) => {
    state = next;
    const here = state.marks.filter((mark) => !mark.deleted);
    dial.showMarks(here);
    byId("marks").replaceChildren(...state.marks.map((mark) => row(mark)));
    if (!state.marks.length) byId("marks").append(element("li", {}, "nothing written down yet"));
    if (next.damaged) say(next.damaged, { fault: true });
    overlay.redraw();
  };
  const row = (mark) =>
    markRow(mark, {
      ...{ places, words, readOnly, chosen: mark.id === chosen },
      history: () => ask(`${path}/${encodeURIComponent(mark.id)}/history`),
      goTo: () => choose(mark),
      change: (changes) => write({ mark: { ...plain(mark), ...changes } }),
      remove: () => write({ delete: mark.id }),
    });
  const choose = (mark) => {
    chosen = mark.id;
    film.goTo(places.xNear(middle(mark), film.view.getCenter()[0]), places.yOf((mark.z0 + mark.z1) / 2));
    show(state);
  };
  // The middle along s; a box whose end lies before its begin goes across the datum.
  const end = (mark) => {
    const half = places.around / 2;
    if (!places.turn) return mark.s1;
    if (mark.kind === "box") return mark.s1 < mark.s0 ? mark.s1 + places.around : mark.s1;
    const way = mark.s1 - mark.s0;
    return mark.s0 + (way > half ? way - places.around : way < -half ? way + places.around : way);
  };
  const middle = (mark) => (mark.s0 + end(mark)) / 2;

  const named = () => {
    if (author.get()) return true;
    byId("author").focus();
    say("Write your name first: each indication bears its author.", { fault: true });
    return false;
  };
  async function write(change) {
    if (!named()) {
      show(state); // the row shows what is saved, not what was typed
      return;
    }
    try {
      show(await tell(path, { version: state.version, author: author.get(), ...change }));
      byId("conflict").replaceChildren();
      say("saved");
    } catch (error) {
      if (error.status !== 409) sayFault(error);
      else conflict(error, change);
    }
  }
  // Another tab or person was first: both are shown, and the reviewer decides.
  function conflict(error, change) {
    show({ ...state, ...error.told });
    const yours = change.delete ? "taking it back" : `${change.mark.word}: ${change.mark.remark || "no remark"}`;
    const close = () => byId("conflict").replaceChildren();
    byId("conflict").replaceChildren(
      element(
        "div",
        { class: "conflict" },
        element("p", {}, error.message),
        element("p", {}, `You wanted: ${yours}. Below it stands as it is now.`),
        element(
          "div",
          { class: "row" },
          element("button", { type: "button", onclick: close }, "keep what is there"),
          element("button", { type: "button", onclick: () => write(change) }, "write mine as well"),
        ),
      ),
    );
  }

  overlay.add(() => {
    for (const mark of state.marks) {
      if (mark.deleted) continue;
      const [x0, x1] = [places.xOf(mark.s0), places.xOf(end(mark))];
      const [y0, y1] = [places.yOf(mark.z0), places.yOf(mark.z1)];
      const colour = mark.id === chosen ? CHOSEN : COLOUR;
      overlay.eachX(x0, Math.abs(x1 - x0) + 40, (x) => {
        const far = x + x1 - x0;
        const arm = 8 * film.view.getResolution();
        if (mark.kind === "box") {
          overlay.stroke([[x, y0], [far, y0], [far, y1], [x, y1]], colour, { closed: true });
        } else if (mark.kind === "line") overlay.stroke([[x, y0], [far, y1]], colour);
        else {
          overlay.stroke([[x - arm, y0], [x + arm, y0]], colour);
          overlay.stroke([[x, y0 - arm], [x, y0 + arm]], colour);
        }
        const [left, top] = overlay.onScreen([far, Math.min(y0, y1)]);
        overlay.label(`${mark.id} ${mark.word}`, left + 6, top + 14, colour);
      });
    }
  });

  const load = async () => show(await ask(path));
  load().catch(sayFault);
  setInterval(async () => {
    const writing = byId("marks").contains(document.activeElement);
    if (writing || !somebodyIsHere()) return; // a forgotten tab must not keep the server awake
    const next = await ask(path).catch(() => null);
    if (next && next.version !== state.version) show(next);
  }, LOOK_AGAIN_MS);
  return {
    add: (kind, place) => write({ mark: { kind, ...place, word: word.value, remark: "" } }),
    named,
    list: () => state.marks.filter((mark) => !mark.deleted),
  };
}

const plain = ({ id, kind, s0, z0, s1, z1, word, remark }) => ({ id, kind, s0, z0, s1, z1, word, remark });
