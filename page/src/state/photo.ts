/** How a photograph lies over the crystal, and what hands, wheel and keys make of it. Micrometres, y upward; angles against the clock. */

export interface Place {
  um_per_pixel: number;
  x_um: number;
  y_um: number;
  rotation_deg: number;
}
/** A pointer on the screen, pixels to the right and down. */
export type Hand = [number, number];

const within = (v: number, low: number, high: number): number => Math.min(high, Math.max(low, v));

export function shifted(p: Place, right_um: number, up_um: number): Place {
  return fair({ ...p, x_um: p.x_um + right_um, y_um: p.y_um + up_um });
}

export function scaled(p: Place, by: number): Place {
  return fair({ ...p, um_per_pixel: p.um_per_pixel * by });
}

export function turned(p: Place, by_deg: number): Place {
  return fair({ ...p, rotation_deg: p.rotation_deg + by_deg });
}

/**
 * One hand goes from `old` to `next`. Alone it carries the photograph along; with another hand at rest the photograph turns
 * and scales about that one, so that what lies under both fingers stays there. `middle`: the crystal's axis on the screen.
 */
export function moved(p: Place, old: Hand, next: Hand, other: Hand | null, middle: Hand, pixelsPerUm: number): Place {
  if (!other) return shifted(p, (next[0] - old[0]) / pixelsPerUm, -(next[1] - old[1]) / pixelsPerUm);
  const before = [old[0] - other[0], other[1] - old[1]]; // y upward
  const after = [next[0] - other[0], other[1] - next[1]];
  const length = before[0] ** 2 + before[1] ** 2;
  if (length < 1) return p;
  // The complex number that takes one to the other is the turn and the scale.
  const re = (after[0] * before[0] + after[1] * before[1]) / length;
  const im = (after[1] * before[0] - after[0] * before[1]) / length;
  const pivot = [(other[0] - middle[0]) / pixelsPerUm, (middle[1] - other[1]) / pixelsPerUm];
  const [dx, dy] = [p.x_um - pivot[0], p.y_um - pivot[1]];
  return fair({
    um_per_pixel: p.um_per_pixel * Math.hypot(re, im),
    x_um: pivot[0] + re * dx - im * dy,
    y_um: pivot[1] + im * dx + re * dy,
    rotation_deg: p.rotation_deg + (Math.atan2(im, re) * 180) / Math.PI,
  });
}

/** Within what the server takes; a turn beyond half a circle comes in from the other side. */
function fair(p: Place): Place {
  const half = (((p.rotation_deg + 180) % 360) + 360) % 360 - 180;
  return {
    um_per_pixel: within(p.um_per_pixel, 1e-5, 1000),
    x_um: within(p.x_um, -20000, 20000),
    y_um: within(p.y_um, -20000, 20000),
    rotation_deg: Number(half.toFixed(4)),
  };
}
