// Whether somebody is at the page: it is in front, and a hand was at it in the last two minutes.

const GONE_AFTER_MS = 120000;

let handAt = performance.now();
for (const name of ["pointermove", "pointerdown", "keydown", "wheel"]) {
  window.addEventListener(name, () => (handAt = performance.now()), { passive: true });
}

export const somebodyIsHere = () => !document.hidden && performance.now() - handAt < GONE_AFTER_MS;
