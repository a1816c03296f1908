// The strip's own pyramid as tiles for the browser's GPU, each gray value kept as a 32-bit float.
//
// Tiles are counted without end along a ring: one that reaches past its last column goes on with
// the first, so that the datum is no edge.

/* global GeoTIFF, ol */

const NOTHING = -1; // no gray value: off the strip

const BLOCK = 65536; // bytes that are asked for at a time
const BLOCKS = 512; // that are kept
const pool = new GeoTIFF.Pool(Math.min(4, navigator.hardwareConcurrency || 2));

// All pages of a TIFF file, with the places of their tiles, so that a tile is one request.
export async function openPages(url) {
  const tiff = await GeoTIFF.fromUrl(url, { allowFullFile: false, blockSize: BLOCK, cacheSize: BLOCKS });
  const pages = [];
  for (let k = 0; k < (await tiff.getImageCount()); k += 1) pages.push(await tiff.getImage(k));
  const tables = ["TileOffsets", "TileByteCounts"];
  await Promise.all(pages.flatMap((page) => tables.map((name) => page.fileDirectory.loadValue(name))));
  return pages;
}

export const pyramidOf = (images, places) => ({ images, places, turn: places.turn });

const projection = new ol.proj.Projection({ code: "girthstrip:strip", units: "pixels" });

export const tileGridOf = (pyramid, levels = pyramid.images.length) => {
  const kept = pyramid.images.slice(0, levels).reverse(); // OpenLayers counts from the coarsest
  const far = pyramid.turn ? 1e7 : pyramid.places.columns;
  return new ol.tilegrid.TileGrid({
    extent: [pyramid.turn ? -1e7 : 0, -pyramid.places.rows, far, 0],
    origin: [0, 0],
    resolutions: kept.map((_, k) => 2 ** (levels - 1 - k)),
    tileSizes: kept.map((image) => [image.getTileWidth(), image.getTileHeight()]),
  });
};

// Which columns of an image to read for `wide` columns from `start` on; all counted at 1 / scale.
export function pieces(start, wide, scale, turn, columns) {
  if (!turn) {
    const from = Math.max(0, start);
    const to = Math.min(columns, start + wide);
    return to > from ? [{ from, to, at: from - start }] : [];
  }
  const found = [];
  let at = 0;
  while (at < wide) {
    const full = (start + at) * scale;
    const within = full - turn * Math.floor(full / turn);
    const from = Math.min(Math.round(within / scale), columns - 1);
    const left = Math.max(1, Math.round((turn - within) / scale));
    const to = Math.min(columns, from + Math.min(left, wide - at));
    found.push({ from, to, at });
    at += to - from;
  }
  return found;
}

// One tile's gray values, rows of `wide`; NOTHING off the strip.
export async function readTile(pyramid, level, tileX, tileY) {
  const image = pyramid.images[level];
  const [wide, high] = [image.getTileWidth(), image.getTileHeight()];
  const filled = new Float32Array(wide * high).fill(NOTHING);
  const top = tileY * high;
  const bottom = Math.min(top + high, image.getHeight());
  if (bottom <= top) return filled;
  const scale = 2 ** level;
  const wanted = pieces(tileX * wide, wide, scale, pyramid.turn, image.getWidth());
  await Promise.all(
    wanted.map(async ({ from, to, at }) => {
      const [part] = await image.readRasters({ window: [from, top, to, bottom], samples: [0], pool });
      for (let row = 0; row < bottom - top; row += 1) {
        const line = part.subarray(row * (to - from), (row + 1) * (to - from));
        filled.set(line, row * wide + at);
      }
    }),
  );
  return filled;
}

export function tileSource(tileGrid, load, { interpolate = true } = {}) {
  const finest = tileGrid.getMaxZoom();
  return new ol.source.DataTile({
    ...{ projection, tileGrid, interpolate, bandCount: 1, wrapX: false, transition: 0 },
    loader: (z, x, y) => load(finest - z, x, y),
  });
}

export const stripSource = (pyramid) =>
  tileSource(tileGridOf(pyramid), (level, x, y) => readTile(pyramid, level, x, y));

export { projection, pool, NOTHING };
