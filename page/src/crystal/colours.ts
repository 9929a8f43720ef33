/** Colour maps for the crystal: even in lightness, so that they read in grey, in red light and for the colour-blind. */

export type ColourBy = "ice" | "thickness" | "age";

// Nine stops of the map "cividis" (PLoS ONE 13, e0199239, 2018, DOI 10.1371/journal.pone.0199239), sRGB.
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

/** The same as 256 x RGB in linear light, for a texture or a table. */
export function table(): Float32Array {
  const out = new Float32Array(256 * 3);
  for (let i = 0; i < 256; i++) {
    const c = cividis(i / 255);
    for (let k = 0; k < 3; k++) out[3 * i + k] = toLinear(c[k]);
  }
  return out;
}

/** sRGB to linear light, IEC 61966-2-1. */
export function toLinear(c: number): number {
  return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
}

/** A CSS gradient of the map, for a legend. */
export function gradient(): string {
  const stops = CIVIDIS.map((c) => `rgb(${c.join(" ")})`).join(", ");
  return `linear-gradient(to right, ${stops})`;
}
