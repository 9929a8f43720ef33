import { describe, expect, it } from "vitest";
import { type Hand, moved, type Place, scaled, turned } from "./photo";

const laid: Place = { um_per_pixel: 0.5, x_um: 3, y_um: -2, rotation_deg: 10 };
const MIDDLE: Hand = [200, 100];

/** Where a point of the photograph (pixels from its middle, y upward) lies on the screen: plane geometry, written down anew. */
function onScreen(p: Place, u: number, v: number, perUm: number): Hand {
  const a = (p.rotation_deg * Math.PI) / 180;
  const x = p.x_um + p.um_per_pixel * (Math.cos(a) * u - Math.sin(a) * v);
  const y = p.y_um + p.um_per_pixel * (Math.sin(a) * u + Math.cos(a) * v);
  return [MIDDLE[0] + x * perUm, MIDDLE[1] - y * perUm];
}

describe("a photograph under the hands", () => {
  it("goes where one hand goes", () => {
    const p = moved(laid, [10, 10], [18, 6], null, MIDDLE, 4);
    expect([p.x_um, p.y_um]).toEqual([5, -1]);
    expect(p.um_per_pixel).toBe(0.5);
  });
  it("keeps what lies under two fingers under them", () => {
    const perUm = 4;
    const old = onScreen(laid, 40, 25, perUm);
    const other = onScreen(laid, -30, 12, perUm);
    const next: Hand = [old[0] + 37, old[1] - 61];
    const p = moved(laid, old, next, other, MIDDLE, perUm);
    const [there, still] = [onScreen(p, 40, 25, perUm), onScreen(p, -30, 12, perUm)];
    expect(there[0]).toBeCloseTo(next[0], 2);
    expect(there[1]).toBeCloseTo(next[1], 2);
    expect(still[0]).toBeCloseTo(other[0], 2);
    expect(still[1]).toBeCloseTo(other[1], 2);
  });
  it("turns round and round within half a circle, and never scales to nothing", () => {
    expect(turned(turned(laid, 170), 0.5).rotation_deg).toBe(-179.5);
    expect(scaled(laid, 0).um_per_pixel).toBeGreaterThan(0);
  });
});
