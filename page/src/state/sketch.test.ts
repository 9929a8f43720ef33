/** Sketches of what was asked, and portraits as pixels. Outside: plane geometry of the regular hexagon. */
import { describe, expect, it } from "vitest";
import type { Portrait } from "../api/designs";
import { parseSpan, spanText } from "../parts/designRows";
import { planAt, rim, sectionAt } from "./portrait";
import { sketches } from "./sketch";

const asked = (habit: string, radius: number | null, thickness: number | null = null, branches: number[] = []) => ({ habit, radius, thickness, branches });
const area = (loop: [number, number][]): number =>
  Math.abs(loop.reduce((sum, [x, y], i) => sum + x * loop[(i + 1) % loop.length][1] - loop[(i + 1) % loop.length][0] * y, 0)) / 2;
const reach = (loops: [number, number][][]): number => Math.max(...loops.flat().map(([x, y]) => Math.hypot(x, y)));

describe("sketches", () => {
  it("draws a plate as a regular hexagon of that radius", () => {
    const [plate] = sketches([asked("plate", 50, 10)]);
    expect(area(plate.plan[0])).toBeCloseTo(1.5 * Math.sqrt(3) * 50 ** 2, 6); // the hexagon's area
    expect(Math.max(...plate.side[0].map(([, z]) => z)) * 2).toBeCloseTo(10);
    expect(plate.guessed).toBe(false);
  });
  it("gives every stage its own reach and keeps what was grown before", () => {
    const all = sketches([asked("plate", 20), asked("branches", 50), asked("plate ends", 60)]);
    expect(all.map((s) => Math.round(reach(s.plan)))).toEqual([20, 50, 60]);
    expect(all[2].plan).toEqual(expect.arrayContaining(all[1].plan));
    expect(all.every((s) => s.guessed)).toBe(true);
  });
  it("sets side branches off where they were asked", () => {
    const plain = sketches([asked("plate", 20), asked("branches", 100)])[1].plan.length;
    expect(sketches([asked("plate", 20), asked("branches", 100, null, [40, 60])])[1].plan.length).toBe(plain + 2 * 2 * 6);
  });
  it("keeps a column's length under its caps", () => {
    const [column, capped] = sketches([asked("column", null, 80), asked("capped column", 40)]);
    expect(column.thickness).toBe(80);
    expect(capped.thickness).toBeGreaterThanOrEqual(80);
    expect(capped.side.length).toBe(3);
  });
});

describe("portraits", () => {
  const n = 48;
  const m = 16;
  // A hexagon: at an angle a from a corner its edge lies at cos 30 / cos(30 - a) of the corner's radius.
  const plan = Array.from({ length: n }, (_, i) =>
    Array.from({ length: m }, (_, j) => ((i + 0.5) / n <= Math.cos(Math.PI / 6) / Math.cos(Math.PI / 6 - ((j + 0.5) / m) * (Math.PI / 6)) ? 100 : 0)),
  );
  const p: Portrait = { radius_um: 50, thickness_um: 10, solidity: 1, habit: "plate", plan, section: Array.from({ length: 32 }, () => Array<number>(24).fill(100)) };
  it("has its six corners and its six sides", () => {
    for (let k = 0; k < 6; k++) {
      const corner = (k * Math.PI) / 3;
      const side = corner + Math.PI / 6;
      expect(planAt(p, 48 * Math.cos(corner), 48 * Math.sin(corner))).toBe(1);
      expect(planAt(p, 42 * Math.cos(side), 42 * Math.sin(side))).toBe(1);
      expect(planAt(p, 46 * Math.cos(side), 46 * Math.sin(side))).toBe(0);
    }
    expect(area(rim(p))).toBeCloseTo(1.5 * Math.sqrt(3) * 50 ** 2, -2);
  });
  it("is as high as it is thick", () => {
    expect(sectionAt(p, 49, 9.9)).toBe(1);
    expect(sectionAt(p, 0, 10.1)).toBe(0);
    expect(sectionAt({ ...p, section: null }, 0, 5)).toBe(0);
  });
});

describe("spans", () => {
  it("takes one value or two, as people write them", () => {
    expect(parseSpan("50")).toEqual([50, 50]);
    for (const said of ["4 to 7", "4-7", "4–7", "7 to 4", " 4,0 to 7 "]) expect(parseSpan(said)).toEqual([4, 7]);
    expect(parseSpan("")).toBeNull();
    for (const said of ["a plate", "4 to 7 to 9", "4 to"]) expect(parseSpan(said)).toBeUndefined();
    expect(spanText([4, 7])).toBe("4 to 7");
    expect(spanText([50, 50])).toBe("50");
  });
});
