import { describe, expect, it } from "vitest";
import type { Branch, Step, StepEdit } from "../api/types";
import { mergeTurns } from "./bench";
import { momentsOf, toggled } from "./compare";
import { latest } from "./latest";
import { append, dragEnd, dragHumidity, dragTemperature, editable, isRamp, layOut, remove, ticks, timeTicks, toggleRamp } from "./timeline";

const step = (part: Partial<Step> = {}): Step => ({
  temperature_c: [-15, -15],
  humidity: { key: "sigma_percent", from: 2, to: 2 },
  minutes: 10,
  radius_um: null,
  thickness_um: null,
  mass_ug: null,
  wait: false,
  note: "",
  from_s: null,
  to_s: null,
  ...part,
});

describe("a timeline", () => {
  it("lays recorded steps where they were and planned ones after them", () => {
    const pieces = layOut([step({ from_s: 0, to_s: 90, minutes: null }), step({ minutes: 5 }), step({ minutes: null, radius_um: 50 })], 100);
    expect(pieces.map((p) => [p.from, p.to, p.open])).toEqual([
      [0, 90, false],
      [90, 390, false],
      [390, 990, true],
    ]);
  });
  it("lets the step that lasts reach to now", () => {
    expect(layOut([step({ from_s: 20, minutes: null })], 77)[0].to).toBe(77);
  });
  it("keeps the time that a live step has lasted, and no ending where a size is one", () => {
    expect(editable(step({ minutes: null }), 120).minutes).toBe(2);
    expect(editable(step({ minutes: null, radius_um: 40 }), 120).minutes).toBeNull();
    expect(editable(step({ from_s: 3 }))).not.toHaveProperty("from_s");
  });
  it("drags a hold as a whole and a ramp by one end", () => {
    const hold: StepEdit[] = [step()];
    expect(dragTemperature(hold, 0, 0, -12)[0].temperature_c).toEqual([-12, -12]);
    const ramp: StepEdit[] = [step({ temperature_c: [-15, -10] })];
    expect(dragTemperature(ramp, 0, 1, -8)[0].temperature_c).toEqual([-15, -8]);
    expect(dragHumidity([step({ humidity: { key: "sigma_percent", from: 2, to: 9 } })], 0, 0, 4)[0].humidity).toEqual({ key: "sigma_percent", from: 4, to: 9 });
    expect(dragEnd(hold, 0, 60, 180)[0].minutes).toBe(2);
    expect(hold[0].temperature_c).toEqual([-15, -15]); // the recorded steps stay as they are
  });
  it("turns a hold into a ramp and back, and always gives a ramp a time", () => {
    const ramp = toggleRamp([step({ minutes: null, radius_um: 10 })], 0);
    expect(isRamp(ramp[0])).toBe(true);
    expect(ramp[0].minutes).toBe(5);
    expect(isRamp(toggleRamp(ramp, 0)[0])).toBe(false);
  });
  it("adds a step in the air that the last one ends with, and never removes the only one", () => {
    const more = append([step({ temperature_c: [-15, -9], humidity: { key: "water_fraction", from: 0.9, to: 1 } })]);
    expect(more[1].temperature_c).toEqual([-9, -9]);
    expect(more[1].humidity).toEqual({ key: "water_fraction", from: 1, to: 1 });
    expect(remove(more, 0)).toHaveLength(1);
    expect(remove([step()], 0)).toHaveLength(1);
  });
  it("marks its axes at round values within them", () => {
    expect(ticks(-15.3, -12, 4)).toEqual([-15, -14, -13, -12]);
    expect(ticks(0, 1, 4)).toEqual([0, 0.5, 1]);
    expect(timeTicks(600, 6)).toEqual([0, 120, 240, 360, 480, 600]);
    expect(ticks(1, 1, 3)).toEqual([1]);
  });
});

describe("turns of the knobs", () => {
  it("merge, the newer word counting, with one measure of the humidity", () => {
    expect(mergeTurns({ temperature_c: -15, sigma_percent: 2 }, { temperature_c: -14 })).toEqual({ temperature_c: -14, sigma_percent: 2 });
    expect(mergeTurns({ sigma_percent: 2, temperature_c: -9 }, { water_fraction: 0.9 })).toEqual({ temperature_c: -9, water_fraction: 0.9 });
  });
  it("go out one at a time, and what waits goes out as one", async () => {
    const sent: number[][] = [];
    const doors: (() => void)[] = [];
    const say = latest<{ all: number[] }>(
      (v) => {
        sent.push(v.all);
        return new Promise<void>((done) => doors.push(done));
      },
      (a, b) => ({ all: [...a.all, ...b.all] }),
    );
    say({ all: [1] });
    say({ all: [2] });
    say({ all: [3] });
    expect(sent).toEqual([[1]]);
    doors[0]();
    await new Promise((r) => setTimeout(r));
    expect(sent).toEqual([[1], [2, 3]]);
    doors[1]();
    await new Promise((r) => setTimeout(r));
    expect(sent).toHaveLength(2);
  });
  it("go on after a refusal", async () => {
    let calls = 0;
    const say = latest<object>(
      () => {
        calls += 1;
        return Promise.resolve();
      },
      (_, b) => b,
    );
    say({});
    await new Promise((r) => setTimeout(r));
    say({});
    expect(calls).toBe(2);
  });
});

describe("what is compared", () => {
  it("takes one more or one less, never none and never more than the views there are", () => {
    expect(toggled({ kind: "paths", of: [1, 2] }, 3).of).toEqual([1, 2, 3]);
    expect(toggled({ kind: "paths", of: [1, 2] }, 1).of).toEqual([2]);
    expect(toggled({ kind: "runs", of: ["a"] }, "a").of).toEqual(["a"]);
    expect(toggled({ kind: "paths", of: [1, 2, 3, 4, 5, 6] }, 7).of).toHaveLength(6);
  });
});

describe("turns of settings", () => {
  it("keep each knob's newest word", () => {
    const merged = mergeTurns({ settings: { plate_c: -15, reservoir_c: -13 } }, { settings: { plate_c: -16 }, over_s: 60 });
    expect(merged).toEqual({ settings: { plate_c: -16, reservoir_c: -13 }, over_s: 60 });
  });
});

describe("the moments of a path", () => {
  it("include those of the path it came from, up to where it left", () => {
    const at = (...times: number[]): Branch["moments"] => times.map((t, i) => ({ number: i, time_s: t, radius_um: 1, thickness_um: 1 }));
    const branch = (number: number, parent: number | null, from_s: number, moments: Branch["moments"]): Branch => ({
      number, parent, from_s, moments, name: "", kept: false, end_s: 99, steps: [], set_steps: null, last: null, habit: "",
    });
    const all = [branch(1, null, 0, at(0, 10, 20, 30)), branch(2, 1, 20, at(25, 40))];
    expect(momentsOf(all, 2).map((m) => [m.branch, m.time_s])).toEqual([
      [1, 0],
      [1, 10],
      [1, 20],
      [2, 25],
      [2, 40],
    ]);
  });
});
