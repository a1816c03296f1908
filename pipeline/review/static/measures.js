// What the server measured in the 16-bit data: figures in words, profiles as plots.

import { byId, element, say } from "./dom.js";
import { plot } from "./plot.js";
import { tell } from "./server.js";

const COLOUR = "#8fe0c0";
const KEPT = 20; // results in the panel

const words = (name) =>
  name
    .replaceAll("_", " ")
    .replace(/ (mm|px|gv)$/, (unit) => `, ${unit.trim() === "gv" ? "gray values" : unit.trim()}`);
const short = (value) => (Number.isInteger(value) ? String(value) : String(Number(value.toPrecision(5))));
const isLine = (value) => Array.isArray(value) && value.length > 1 && value.every((one) => one === null || Number.isFinite(one));

// Figures as a list, records of figures as a table each; nothing that was told is left out.
function figures(told) {
  const flat = Object.entries(told).filter(([, value]) => value !== null && typeof value !== "object" && value !== "");
  const list = element(
    "dl",
    { class: "facts" },
    ...flat.flatMap(([name, value]) => [
      element("dt", {}, words(name)),
      element("dd", {}, typeof value === "number" ? short(value) : String(value)),
    ]),
  );
  const inner = Object.entries(told).flatMap(([name, value]) => {
    if (Array.isArray(value) && value.some((one) => one && typeof one === "object")) return [table(name, value)];
    if (Array.isArray(value) && value.some((one) => typeof one === "string")) {
      return [element("ul", { class: "hint" }, ...value.map((one) => element("li", {}, String(one))))];
    }
    if (value && typeof value === "object" && !Array.isArray(value)) return [element("h3", {}, words(name)), ...figures(value)];
    return [];
  });
  return [list, ...inner];
}

function table(name, rows) {
  const columns = Object.keys(rows[0]).filter((column) => typeof rows[0][column] !== "object" || rows[0][column] === null);
  const cell = (value) => (typeof value === "number" ? short(value) : (value ?? "–"));
  return element(
    "table",
    { class: "checks" },
    element("caption", {}, words(name)),
    element("tr", {}, ...columns.map((column) => element("th", { scope: "col" }, words(column)))),
    ...rows.map((row) => element("tr", {}, ...columns.map((column) => element("td", {}, String(cell(row[column])))))),
  );
}

function plots(told) {
  const lines = Object.entries(told).filter(([, value]) => isLine(value));
  const along = lines.find(([name]) => /(distance|along|position|_mm$|^mm$)/.test(name));
  if (!along) return [];
  const drawn = lines.filter(([name, values]) => name !== along[0] && values.length === along[1].length);
  return drawn.map(([name, values]) => plot(along[1], values, { name: words(name) })).filter(Boolean);
}

export function makeMeasures(film, overlay, key, openPanel) {
  const { places } = film;
  const shown = [];
  const list = byId("measure");
  async function measure(tool, place) {
    openPanel("measure");
    const item = element("section", { "aria-live": "polite" }, element("h3", {}, tool.words), element("p", {}, "measuring …"));
    const line = { tool: tool.name, ...place };
    shown.unshift(line);
    list.prepend(item);
    while (shown.length > KEPT) shown.pop();
    while (list.children.length > KEPT) list.lastChild.remove();
    overlay.redraw();
    const clear = () => {
      item.remove();
      shown.splice(shown.indexOf(line), 1);
      overlay.redraw();
    };
    const close = element("button", { type: "button", onclick: clear }, "clear");
    try {
      const told = await tell(`/api/weld/${key}/measure`, { kind: tool.name, ...place });
      const where = `from ${places.clockText(place.s0)}, s ${place.s0.toFixed(2)} mm, z ${place.z0.toFixed(2)} mm`;
      const { kind, ...rest } = told;
      item.replaceChildren(element("h3", {}, tool.words), element("p", { class: "hint" }, where), ...plots(rest), ...figures(rest), close);
    } catch (error) {
      item.replaceChildren(element("h3", {}, tool.words), element("p", { class: "fault" }, error.message), close);
      say(error.message, { fault: true });
    }
  }
  overlay.add(() => {
    for (const { tool, s0, z0, s1, z1 } of shown) {
      const [x0, x1, y0, y1] = [places.xOf(s0), places.xOf(s1), places.yOf(z0), places.yOf(z1)];
      overlay.eachX(x0, Math.abs(x1 - x0) + 20, (x) => {
        const far = x + x1 - x0;
        const corners = tool === "snr" ? [[x, y0], [far, y0], [far, y1], [x, y1]] : [[x, y0], [far, y1]];
        overlay.stroke(corners, COLOUR, { closed: tool === "snr" });
        if (tool === "distance") {
          const [left, top] = overlay.onScreen([(x + far) / 2, (y0 + y1) / 2]);
          overlay.label(`${Math.hypot(s1 - s0, z1 - z0).toFixed(2)} mm`, left + 8, top, COLOUR);
        }
      });
    }
  });
  return { measure };
}
