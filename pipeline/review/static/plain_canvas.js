// OpenLayers asks for smoothed edges (each pixel drawn four times) and has no switch for it. Tiles
// have no edges to smooth, and on slow graphics that was half of the time of a frame.

const usual = HTMLCanvasElement.prototype.getContext;

HTMLCanvasElement.prototype.getContext = function getContext(kind, wanted) {
  const plain = kind.includes("webgl") ? { ...wanted, antialias: false } : wanted;
  return usual.call(this, kind, plain);
};
