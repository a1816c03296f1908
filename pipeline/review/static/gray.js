// Which gray value is black and which white: sixteen bits all the way into the GPU's shader.

import { signal } from "./signal.js";

// One line through the two ends, cut off at black and white; the band is read once for all colours.
const shown = ["clamp", ["+", ["*", ["band", 1], ["var", "gain"]], ["var", "base"]], 0, 255];

export function makeGray(first) {
  const state = signal({ low: first.low, high: Math.max(first.high, first.low + 1), negative: true });
  const layers = new Set();
  const variables = () => {
    const { low, high, negative } = state.get();
    const gain = (negative ? -255 : 255) / (high - low);
    return { gain, base: negative ? -high * gain : -low * gain };
  };
  const style = {
    variables: variables(),
    color: ["color", shown],
  };
  state.watch(() => {
    for (const layer of layers) layer.updateStyleVariables(variables());
  });
  const set = (low, high) => {
    const bounded = Math.min(65534, Math.max(0, Math.round(low)));
    const above = Math.min(65535, Math.max(bounded + 1, Math.round(high)));
    state.set({ ...state.get(), low: bounded, high: above });
  };
  return {
    ...{ state, style, set },
    dress(layer) {
      layers.add(layer);
      layer.updateStyleVariables(variables());
    },
    undress: (layer) => layers.delete(layer),
    invert: () => state.set({ ...state.get(), negative: !state.get().negative }),
    // Shares of the window's own width: up lets all of it show lighter gray values.
    level(share) {
      const { low, high } = state.get();
      const by = Math.round((high - low) * share) || Math.sign(share);
      if (low + by >= 0 && high + by <= 65535) set(low + by, high + by);
    },
    widen(factor) {
      const { low, high } = state.get();
      const [middle, half] = [(low + high) / 2, Math.max(1, ((high - low) / 2) * factor)];
      set(middle - half, middle + half);
    },
    // What the screen shows of a gray value, 0 black to 255 white.
    screen(value) {
      const { low, high, negative } = state.get();
      const part = Math.min(1, Math.max(0, (value - low) / (high - low)));
      return Math.round(255 * (negative ? 1 - part : part));
    },
  };
}
