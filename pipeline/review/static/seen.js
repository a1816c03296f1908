// What was looked at, at 1:1 or closer: told to the server while the page is in front of somebody.

import { byId, say } from "./dom.js";
import { somebodyIsHere } from "./presence.js";
import { ask, tell } from "./server.js";

const TICK_MS = 500;
const STEADY_PX = 40; // a view that moves further between two ticks is passed over, not looked at
const TELL_AFTER_S = 2;

export function makeSeen(film, dial, key, { readOnly }) {
  const { places } = film;
  const path = `/api/weld/${key}/seen`;
  let ranges = [];
  let held = null;
  const show = (told) => {
    ranges = told.ranges;
    dial.showSeen(ranges, told.part ?? []);
    const rounded = told.percent >= 100 ? "100" : Math.min(99.9, told.percent).toFixed(1);
    byId("seen-percent").textContent = `${rounded} %`;
  };
  const flush = () => {
    const done = held;
    held = null;
    if (!done || done.seconds < 1) return;
    const { seconds, scale, s0, s1, z0, z1 } = done;
    tell(path, { s0, s1, z0, z1, seconds, scale })
      .then(show)
      .catch(() => {}); // the next save or probe says that the server is gone
  };
  const tick = () => {
    const scale = film.closeness();
    if (!somebodyIsHere() || scale < 0.999) return flush();
    const now = { ...film.visibleMm(), scale };
    const steady =
      held && Math.hypot(now.s0 - held.s0, now.z0 - held.z0) < (STEADY_PX * places.pitch) / scale && held.scale === scale;
    if (!steady) {
      flush();
      held = { ...now, seconds: 0 };
    } else {
      held.seconds += TICK_MS / 1000;
      if (held.seconds >= TELL_AFTER_S) flush();
    }
    return undefined;
  };
  ask(path).then(show).catch(() => {});
  if (!readOnly) setInterval(tick, TICK_MS);
  document.addEventListener("visibilitychange", flush);

  const nextUnseen = () => {
    const here = places.sOf(film.view.getCenter()[0]);
    const end = places.sFirst + places.columns * places.pitch;
    const sorted = [...ranges].sort((a, b) => a[0] - b[0]);
    const gaps = [];
    let from = places.sFirst;
    for (const [s0, s1] of [...sorted, [end, end]]) {
      if (s0 - from > places.pitch) gaps.push((from + Math.min(s0, from + 20)) / 2);
      from = Math.max(from, s1);
    }
    if (!gaps.length) return say("All of it has been looked at.");
    const next = gaps.find((gap) => gap > here + 1) ?? gaps[0];
    film.onePixel();
    return film.goTo(places.xNear(next, film.view.getCenter()[0]));
  };
  byId("next-unseen").addEventListener("click", nextUnseen);
  return { nextUnseen };
}
