/** The longest of 1, 2, 5 times a power of ten that is not above `longest`. */
export function niceLength(longest: number): number {
  if (!(longest > 0) || !Number.isFinite(longest)) return 0;
  const power = 10 ** Math.floor(Math.log10(longest));
  for (const m of [5, 2, 1]) if (m * power <= longest * (1 + 1e-9)) return m * power;
  return power;
}

/** A scale bar for a view in which one micrometre is `pixelsPerUm` wide, at most `longestPx` long. */
export function scaleBar(pixelsPerUm: number, longestPx: number): { um: number; px: number; words: string } {
  const um = niceLength(longestPx / pixelsPerUm);
  const words = um >= 1000 ? `${um / 1000} mm` : um >= 1 ? `${um} µm` : `${Math.round(um * 1000)} nm`;
  return { um, px: um * pixelsPerUm, words };
}
