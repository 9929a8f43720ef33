/** Colour maps for the crystal: even in lightness, so that they read in grey, in red light and for the colour-blind. */

export type ColourBy = "ice" | "thickness" | "age";

// Ten stops of the map "cividis" (PLoS ONE 13, e0199239, 2018, DOI 10.1371/journal.pone.0199239), sRGB.
const CIVIDIS = [
  [0, 34, 78],
  [18, 53, 112],
  [59, 73, 108],
  [87, 93, 109],
  [112, 113, 115],
  [138, 134, 120],
  [165, 156, 116],
  [195, 179, 105],
  [225, 204, 85],
  [254, 232, 56],
];

/** sRGB, each 0 to 1, of a value from 0 to 1; values outside are held at the ends. */
export function cividis(value: number): [number, number, number] {
  const at = Math.min(Math.max(value, 0), 1) * (CIVIDIS.length - 1);
  const i = Math.min(Math.floor(at), CIVIDIS.length - 2);
  const t = at - i;
  const mix = (k: number): number => (CIVIDIS[i][k] * (1 - t) + CIVIDIS[i + 1][k] * t) / 255;
  return [mix(0), mix(1), mix(2)];
}

/** The colour of a value, or its lightness in red alone. */
export function mapped(value: number, red: boolean): [number, number, number] {
  if (!red) return cividis(value);
  return [0.18 + 0.82 * Math.min(Math.max(value, 0), 1), 0, 0];
}

/** The map as 256 x RGBA in linear light, for a texture. */
export function table(red: boolean): Float32Array<ArrayBuffer> {
  const out = new Float32Array(256 * 4);
  for (let i = 0; i < 256; i++) out.set([...mapped(i / 255, red).map(toLinear), 1], 4 * i);
  return out;
}

/** sRGB to linear light, IEC 61966-2-1. */
export function toLinear(c: number): number {
  return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
}

/** A CSS gradient of the map, for a legend. */
export function gradient(red: boolean): string {
  const stops = CIVIDIS.map((_, i) => {
    const colour = mapped(i / (CIVIDIS.length - 1), red).map((c) => Math.round(255 * c));
    return `rgb(${colour.join(" ")})`;
  });
  return `linear-gradient(to right, ${stops.join(", ")})`;
}
