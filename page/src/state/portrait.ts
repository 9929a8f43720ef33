/** A crystal drawn from its portrait: the shares of ice that the server tells, as pixels; and its outline as a line. */
import type { Portrait } from "../api/designs";

export type Rgb = [number, number, number];

/** Share of ice, 0 to 1, at a point of the plan in micrometres. */
export function planAt(p: Portrait, x: number, y: number): number {
  const n = p.plan.length;
  const m = p.plan[0].length;
  const rho = Math.hypot(x, y) / p.radius_um;
  if (rho >= 1) return 0;
  const sixth = Math.PI / 3;
  let a = ((Math.atan2(y, x) % sixth) + sixth) % sixth;
  if (a > sixth / 2) a = sixth - a;
  return p.plan[Math.min(n - 1, Math.floor(rho * n))][Math.min(m - 1, Math.floor((a / (sixth / 2)) * m))] / 100;
}

/** The same in the section, at a distance from the axis and a height above the lowest ice. */
export function sectionAt(p: Portrait, x: number, up: number): number {
  if (!p.section) return 0;
  const rho = Math.abs(x) / p.radius_um;
  const z = up / p.thickness_um;
  if (rho >= 1 || z < 0 || z >= 1) return 0;
  return p.section[Math.floor(rho * p.section.length)][Math.floor(z * p.section[0].length)] / 100;
}

/** Pixels of either, `width` by `height`, about the middle, at so many micrometres a pixel. */
export function pixels(p: Portrait, which: "plan" | "side", width: number, height: number, umPerPixel: number, ink: Rgb): ImageData {
  const made = new ImageData(width, height);
  for (let row = 0; row < height; row++)
    for (let column = 0; column < width; column++) {
      const x = (column + 0.5 - width / 2) * umPerPixel;
      const y = (height / 2 - row - 0.5) * umPerPixel;
      const share = which === "plan" ? planAt(p, x, y) : sectionAt(p, x, y + p.thickness_um / 2);
      const at = 4 * (row * width + column);
      made.data.set(ink, at);
      made.data[at + 3] = Math.round(255 * share);
    }
  return made;
}

/** The farthest ice in every direction, as a closed line in micrometres. */
export function rim(p: Portrait): [number, number][] {
  const n = p.plan.length;
  const m = p.plan[0].length;
  const reach = Array.from({ length: m }, (_, j) => {
    for (let i = n - 1; i >= 0; i--) if (p.plan[i][j] >= 50) return ((i + 1) / n) * p.radius_um;
    return 0;
  });
  const twelfth = [...reach, ...[...reach].reverse()];
  const all = Array.from({ length: 6 }, () => twelfth).flat();
  return all.map((r, k) => {
    const a = ((k + 0.5) * 2 * Math.PI) / all.length;
    return [r * Math.cos(a), r * Math.sin(a)];
  });
}
