// The keyboard: every key in one table, which is also what the panel of keys shows.

import { byId, element } from "./dom.js";
import { remembered } from "./signal.js";

const NAMES = { " ": "Space", ArrowUp: "↑", ArrowDown: "↓", ArrowLeft: "←", ArrowRight: "→" };

// Each command has a `key` as the browser names it, `shift` and `alt` where they matter, `words`,
// and `run`. Letters can be switched off, for those who speak to their computer (WCAG 2.1.4).
export function makeKeys(commands) {
  const letters = remembered("letters", true);
  byId("letters").checked = letters.get();
  byId("letters").addEventListener("change", (event) => letters.set(event.target.checked));
  const isPlain = (command) => command.key.length === 1 && command.key !== " ";
  const shown = (command) =>
    [command.shift && "Shift", command.alt && "Alt", NAMES[command.key] ?? command.key].filter(Boolean).join(" + ");

  byId("key-list").append(
    ...commands.flatMap((command) => [element("dt", {}, shown(command)), element("dd", {}, command.words)]),
  );
  window.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.defaultPrevented) return;
    const at = event.target;
    const writing = at.matches("input:not([type=checkbox]):not([type=radio]), textarea, select");
    if (writing && event.key !== "Escape") return;
    const pressing = at.matches("button, a, summary, input");
    if (pressing && [" ", "Enter"].includes(event.key)) return;
    const isArrow = event.key.startsWith("Arrow");
    if (isArrow && at.matches("input, select")) return;
    const command = commands.find((one) => {
      const named = one.key === event.key || (one.key.length === 1 && !one.shift && one.key === event.key.toLowerCase());
      const shift = one.shift === undefined ? !isArrow && event.key.length === 1 : one.shift;
      const rightShift = one.shift === undefined && shift ? true : Boolean(one.shift) === event.shiftKey;
      return named && rightShift && Boolean(one.alt) === event.altKey;
    });
    if (!command || (isPlain(command) && !letters.get() && event.key !== "?")) return;
    event.preventDefault();
    if (command.cross) byId("cross").hidden = false;
    command.run();
  });
}
