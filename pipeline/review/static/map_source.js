// Pages of maps.tif as tiles: how many frames, filled pixels, noise; the worst pixel of each block.

import { pieces, pool, tileGridOf, tileSource } from "./pyramid.js";

const LEVELS = 4; // coarser ones are told by the figures along the strip instead
export const COARSEST = 2 ** (LEVELS - 1);

const worst = {
  count: { page: 0, start: 255, take: Math.min },
  filled: { page: 1, start: 1, take: (kept, one) => (kept === 0 || one === 0 ? 0 : Math.max(kept, one)) },
  noise: { page: 2, start: 0, take: Math.max },
};

export function mapSource(pages, pyramid, name) {
  const { page, start, take } = worst[name];
  const image = pages[page];
  const levels = Math.min(LEVELS, pyramid.images.length);
  const load = async (level, tileX, tileY) => {
    const like = pyramid.images[level];
    const [wide, high] = [like.getTileWidth(), like.getTileHeight()];
    const scale = 2 ** level;
    const filled = new Float32Array(wide * high).fill(-1);
    const top = tileY * high * scale;
    const bottom = Math.min(top + high * scale, image.getHeight());
    if (bottom <= top) return filled;
    const wanted = pieces(tileX * wide * scale, wide * scale, 1, pyramid.turn, image.getWidth());
    for (const { from, to, at } of wanted) {
      const [part] = await image.readRasters({ window: [from, top, to, bottom], samples: [0], pool });
      const columns = to - from;
      for (let row = 0; row < bottom - top; row += 1) {
        const line = Math.floor(row / scale) * wide;
        for (let column = 0; column < columns; column += 1) {
          const k = line + Math.floor((at + column) / scale);
          const kept = filled[k] < 0 ? start : filled[k];
          filled[k] = take(kept, part[row * columns + column]);
        }
      }
    }
    return filled;
  };
  return tileSource(tileGridOf(pyramid, levels), load, { interpolate: false });
}
