/** What a hand does to an outline: points in pixels, columns and rows, an open list of a closed line. */

export type Pt = [number, number];

const far = (a: Pt, b: Pt): number => Math.hypot(a[0] - b[0], a[1] - b[1]);
const fine = (v: number): number => Math.round(v * 100) / 100;

/** The same without the point that closes it. */
export function open(loop: readonly (readonly number[])[]): Pt[] {
  const out = loop.map((p): Pt => [p[0], p[1]]);
  const last = out[out.length - 1];
  return out.length > 1 && last[0] === out[0][0] && last[1] === out[0][1] ? out.slice(0, -1) : out;
}

export interface Near {
  index: number; // of the point, or of the one before the place on the line
  at: Pt;
  distance: number;
}

export function nearestPoint(loop: Pt[], p: Pt): Near {
  let best: Near = { index: 0, at: loop[0] ?? [0, 0], distance: Infinity };
  loop.forEach((q, index) => {
    const distance = far(p, q);
    if (distance < best.distance) best = { index, at: q, distance };
  });
  return best;
}

/** The place on the line between points that is nearest. */
export function nearestPlace(loop: Pt[], p: Pt): Near {
  let best: Near = { index: 0, at: loop[0] ?? [0, 0], distance: Infinity };
  loop.forEach((a, index) => {
    const b = loop[(index + 1) % loop.length];
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const size = dx * dx + dy * dy;
    const t = size ? Math.min(1, Math.max(0, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / size)) : 0;
    const at: Pt = [a[0] + t * dx, a[1] + t * dy];
    const distance = far(p, at);
    if (distance < best.distance) best = { index, at, distance };
  });
  return best;
}

/**
 * Move a point, and what lies within `reach` of it along the line the less the further away it is, so that a stretch follows
 * without a kink. With reach 0 the point moves alone.
 */
export function dragged(loop: Pt[], index: number, by: Pt, reach: number): Pt[] {
  const n = loop.length;
  const share = new Array<number>(n).fill(0);
  share[index] = 1;
  for (const step of [1, -1]) {
    let way = 0;
    for (let k = 1; k < n; k++) {
      const here = (index + step * k + n * k) % n;
      way += far(loop[here], loop[(here - step + n) % n]);
      if (way >= reach) break;
      share[here] = Math.max(share[here], 0.5 + 0.5 * Math.cos((Math.PI * way) / reach));
    }
  }
  return loop.map((p, k) => (share[k] ? [fine(p[0] + share[k] * by[0]), fine(p[1] + share[k] * by[1])] : p));
}

/** One point more, half-way to the next; its index is `index + 1`. */
export function added(loop: Pt[], index: number): Pt[] {
  const [a, b] = [loop[index], loop[(index + 1) % loop.length]];
  return [...loop.slice(0, index + 1), [fine((a[0] + b[0]) / 2), fine((a[1] + b[1]) / 2)], ...loop.slice(index + 1)];
}

/** One point less; a triangle stays. */
export function removed(loop: Pt[], index: number): Pt[] {
  return loop.length > 3 ? loop.filter((_, k) => k !== index) : loop;
}

/** As few points as hold the line to `tolerance` pixels: what is nearly straight keeps its ends alone. */
export function thinned(loop: Pt[], tolerance: number): Pt[] {
  if (loop.length < 5) return loop;
  // Two far points first, so that the closed line becomes two open ones.
  const first = loop.reduce((best, p, k) => (far(p, loop[0]) > far(loop[best], loop[0]) ? k : best), 0);
  const second = loop.reduce((best, p, k) => (far(p, loop[first]) > far(loop[best], loop[first]) ? k : best), 0);
  const turned = [...loop.slice(first), ...loop.slice(0, first), loop[first]];
  const middle = (second - first + loop.length) % loop.length;
  const keep = new Set([0, middle, loop.length]);
  const todo: [number, number][] = [
    [0, middle],
    [middle, loop.length],
  ];
  while (todo.length) {
    const [a, b] = todo.pop() as [number, number];
    let [worst, at] = [tolerance, -1];
    for (let k = a + 1; k < b; k++) {
      const away = nearestPlace([turned[a], turned[b]], turned[k]).distance;
      if (away > worst) [worst, at] = [away, k];
    }
    if (at < 0) continue;
    keep.add(at);
    todo.push([a, at], [at, b]);
  }
  const out = [...keep].filter((k) => k < loop.length).sort((a, b) => a - b).map((k) => turned[k]);
  return out.length >= 3 ? out : loop;
}

/** A hexagon to begin with, where nothing was found. */
export function hexagon(x: number, y: number, radius: number): Pt[] {
  return [0, 1, 2, 3, 4, 5].map((k) => [
    fine(x + radius * Math.cos((k * Math.PI) / 3)),
    fine(y - radius * Math.sin((k * Math.PI) / 3)),
  ]);
}

export const path = (loop: readonly (readonly number[])[]): string => (loop.length ? `M${loop.map(([x, y]) => `${x} ${y}`).join("L")}Z` : "");
