// The raw frames that saw a spot, side by side: as read, and with dark and gain corrected.

import { byId, element } from "./dom.js";
import { ask } from "./server.js";

const HALF_MM = 6;

export function makeSpot(film, gray, key, facts) {
  const { places } = film;
  const list = byId("spot");
  if (!facts.frames_available) {
    list.replaceChildren(
      element("p", { class: "fault" }, "The raw frames, or the calibration, aren't where they were when the strip was made."),
    );
    return { look: () => {} };
  }
  // The server's pictures are positives, as the panel lies; they are shown as the film is.
  gray.state.watch(({ negative }) => list.classList.toggle("negative", negative));
  film.upright.watch((upright) => list.classList.toggle("upright", upright));
  let latest = 0;
  const look = async ([x, y]) => {
    latest += 1;
    const mine = latest;
    const [s, z] = [places.sOf(x), places.zOf(y)];
    list.replaceChildren(element("p", { class: "hint" }, "reading the frames …"));
    let shown;
    try {
      const told = await ask(`/api/weld/${key}/spot`, { s, z, half_mm: HALF_MM });
      const where = `${s.toFixed(1)} mm, ${places.clockText(s)}, z ${z.toFixed(1)} mm; each ${2 * HALF_MM} mm wide`;
      shown = [element("p", {}, where), ...told.spots.map(figure)];
      if (!told.spots.length) shown.push(element("p", {}, "No frame saw this spot."));
      await alike(shown);
    } catch (error) {
      shown = [element("p", { class: "fault" }, error.message)];
    }
    if (mine === latest) list.replaceChildren(...shown);
  };
  return { look };
}

function figure(one) {
  const picture = (source, words) =>
    element(
      "div",
      {},
      element("div", { class: "cut" }, element("div", {}, element("img", { src: source, alt: `${words}, ${one.file}` }), cross(one))),
      words,
    );
  const caption = element("figcaption", {}, `${one.file}, row ${Math.round(one.row)}, column ${Math.round(one.column)}`);
  if (!one.raw) return element("figure", { class: "spot" }, caption, element("p", { class: "fault" }, one.why_not || "can't be read"));
  return element("figure", { class: "spot" }, caption, picture(one.corrected, "corrected"), picture(one.raw, "as read"));
}

// Where in the picture the spot is.
function cross(one) {
  const made = element("span", { class: "cut-mark" });
  if (one.mark) [made.style.left, made.style.top] = [`${100 * one.mark.x}%`, `${100 * one.mark.y}%`];
  made.hidden = !one.mark;
  return made;
}

// A picture cut short by the panel's edge is shown smaller, so that all have one scale.
async function alike(shown) {
  const images = shown.flatMap((node) => [...node.querySelectorAll("img")]);
  await Promise.all(images.map((image) => image.decode().catch(() => {})));
  const most = Math.max(...images.flatMap((image) => [image.naturalWidth, image.naturalHeight]));
  for (const image of images) image.parentElement.style.width = `${(100 * image.naturalWidth) / most}%`;
}
