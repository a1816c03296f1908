// What goes on paper: the film as it is on the screen, how it is shown, and the indications.

import { byId, element } from "./dom.js";
import { mm } from "./places.js";

export function makePrint(film, gray, marks, facts) {
  const picture = () => {
    film.map.renderSync();
    const [wide, high] = film.map.getSize();
    const ratio = window.devicePixelRatio;
    const canvas = element("canvas", { width: wide * ratio, height: high * ratio });
    const paper = canvas.getContext("2d");
    paper.fillStyle = "#101010"; // where there is no strip, as on the screen
    paper.fillRect(0, 0, canvas.width, canvas.height);
    for (const one of film.map.getViewport().querySelectorAll("canvas")) {
      paper.drawImage(one, 0, 0, canvas.width, canvas.height);
    }
    paper.drawImage(byId("overlay"), 0, 0, canvas.width, canvas.height);
    return element("img", { src: canvas.toDataURL("image/png"), alt: "the strip as shown" });
  };
  window.addEventListener("beforeprint", () => {
    const { low, high, negative } = gray.state.get();
    const { s0, s1: end, z0, z1 } = film.visibleMm();
    const s1 = film.places.sOf(film.places.xOf(end)); // on a ring past the datum again from 0
    const polarity = negative ? "negative: more dose is darker" : "positive: more dose is lighter";
    const row = (mark) => [
      ...[mark.id, mark.kind, mark.word, mm(mark.s0), mm(mark.s1), film.places.clockText(mark.s0)],
      ...[mm(mark.z0), mm(mark.z1), mark.remark, mark.author, String(mark.time).slice(0, 16)],
    ];
    const head = ["", "kind", "word", "s from", "s to", "clock", "z from", "z to", "remark", "author", "time, UTC"];
    byId("print").replaceChildren(
      element("h1", {}, `${facts.weld} ${facts.shot}`),
      element("p", {}, `s ${mm(s0)} on to ${mm(s1)}, z ${mm(z0)} to ${mm(z1)}; gray values ${low} to ${high}, ${polarity}; looked at 1:1 or closer: ${byId("seen-percent").textContent}`),
      picture(),
      element(
        "table",
        {},
        element("tr", {}, ...head.map((words) => element("th", {}, words))),
        ...marks.list().map((mark) => element("tr", {}, ...row(mark).map((words) => element("td", {}, words ?? "")))),
      ),
      ...facts.cautions.map((words) => element("p", {}, words)),
    );
  });
}
