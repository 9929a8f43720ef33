import { describe, expect, it } from "vitest";
import { added, dragged, hexagon, nearestPlace, nearestPoint, open, type Pt, removed, thinned } from "./outline";

const area = (loop: Pt[]): number =>
  Math.abs(loop.reduce((sum, a, k) => sum + a[0] * loop[(k + 1) % loop.length][1] - loop[(k + 1) % loop.length][0] * a[1], 0)) / 2;
/** A circle of many points, as a found outline is. */
const circle: Pt[] = Array.from({ length: 720 }, (_, k) => [100 + 50 * Math.cos((k * Math.PI) / 360), 80 + 50 * Math.sin((k * Math.PI) / 360)]);

describe("an outline under a hand", () => {
  it("is opened where its last point repeats the first", () => {
    expect(open([[0, 0], [1, 0], [0, 1], [0, 0]])).toHaveLength(3);
    expect(open([[0, 0], [1, 0], [0, 1]])).toHaveLength(3);
  });
  it("moves one point alone without a reach", () => {
    const moved = dragged(circle, 90, [3, -2], 0);
    expect(moved.filter((p, k) => p !== circle[k])).toHaveLength(1);
    expect(moved[90][0]).toBeCloseTo(circle[90][0] + 3, 1);
  });
  it("takes a stretch along, less and less, also over the seam", () => {
    const moved = dragged(circle, 0, [10, 0], 20);
    const by = moved.map((p, k) => p[0] - circle[k][0]);
    expect(by[0]).toBeCloseTo(10, 1);
    // Half of it at half the reach: cos(90 degrees) = 0. Points are 2 pi 50 / 720 px apart.
    const half = Math.round(10 / ((2 * Math.PI * 50) / 720));
    expect(by[half]).toBeCloseTo(5, 0);
    expect(by[720 - half]).toBeCloseTo(5, 0);
    expect(by[60]).toBe(0);
    expect(by[400]).toBe(0);
  });
  it("finds the nearest point and the nearest place between points", () => {
    const square: Pt[] = [[0, 0], [10, 0], [10, 10], [0, 10]];
    expect(nearestPoint(square, [9, 2]).index).toBe(1);
    const place = nearestPlace(square, [4, -3]);
    expect(place).toEqual({ index: 0, at: [4, 0], distance: 3 });
    expect(nearestPlace(square, [-1, 5]).index).toBe(3);
  });
  it("gains and loses points without moving the line", () => {
    const six = hexagon(50, 50, 20);
    const seven = added(six, 5);
    expect(seven).toHaveLength(7);
    expect(area(seven)).toBeCloseTo(area(six), 1);
    expect(removed(seven, 6)).toEqual(six);
    expect(removed(six.slice(0, 3), 1)).toHaveLength(3);
  });
  it("is thinned to the corners of what is straight", () => {
    const six = hexagon(50, 50, 20);
    let many = six;
    for (let round = 0; round < 4; round++) for (let k = many.length - 1; k >= 0; k--) many = added(many, k);
    expect(many.length).toBe(96);
    const few = thinned(many, 0.3);
    expect(few).toHaveLength(6);
    // Area of a hexagon: 1.5 sqrt(3) r^2.
    expect(area(few)).toBeCloseTo(1.5 * Math.sqrt(3) * 400, 0);
  });
  it("is thinned no further than was asked", () => {
    const few = thinned(circle, 0.5);
    expect(few.length).toBeLessThan(60);
    for (const p of circle) expect(nearestPlace(few, p).distance).toBeLessThanOrEqual(0.5 + 1e-9);
  });
});
