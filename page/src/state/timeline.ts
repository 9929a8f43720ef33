/** The steps of a path as curves that can be dragged: where each part lies in time, and what a drag makes of it. */
import type { HumidityKey, Step, StepEdit } from "../api/types";

/** What any step has that can be laid out in time. */
interface Timed {
  minutes: number | null;
  from_s?: number | null;
  to_s?: number | null;
}

export interface Piece<S extends Timed = StepEdit> {
  step: S;
  from: number; // seconds
  to: number; // seconds
  open: boolean; // its end is not fixed by minutes: a size ends it, or it still lasts
}

const GUESS_S = 600; // drawn length of a planned step that only a size ends

/** Steps laid out in time, from what was recorded where it was, from their minutes where not. */
export function layOut<S extends Timed>(steps: S[], now: number): Piece<S>[] {
  let at = 0;
  return steps.map((step) => {
    const from = step.from_s ?? at;
    const planned = step.minutes === null ? null : from + step.minutes * 60;
    const to = step.to_s ?? planned ?? Math.max(now, from + (step.from_s == null ? GUESS_S : 0));
    at = Math.max(to, from);
    return { step, from, to: at, open: step.to_s == null && step.minutes === null };
  });
}

/** Only what an edit may hold, without when it ran. */
export function editable(step: Step | StepEdit, lasted_s?: number): StepEdit {
  return { temperature_c: [...step.temperature_c], humidity: { ...step.humidity }, ...endsOf(step, lasted_s) };
}

type Ends = Pick<StepEdit, "minutes" | "radius_um" | "thickness_um" | "mass_ug" | "wait" | "note">;

/** How a step ends; one that still lasts, and that no size ends, ends where it is now. */
export function endsOf(step: Ends, lasted_s?: number): Ends {
  const { radius_um, thickness_um, mass_ug, wait, note } = step;
  const open = step.minutes === null && lasted_s !== undefined && radius_um === null && thickness_um === null && mass_ug === null;
  return { minutes: open ? Math.max(lasted_s / 60, 1 / 60) : step.minutes, radius_um, thickness_um, mass_ug, wait, note };
}

export type End = 0 | 1;

/** The temperature at one end of step `i` dragged to `value`; a step that holds goes on holding. */
export function dragTemperature(steps: StepEdit[], i: number, end: End, value: number): StepEdit[] {
  return change(steps, i, (s) => {
    const held = s.temperature_c[0] === s.temperature_c[1];
    const t: [number, number] = [...s.temperature_c];
    t[end] = value;
    return { ...s, temperature_c: held ? [value, value] : t };
  });
}

export function dragHumidity(steps: StepEdit[], i: number, end: End, value: number): StepEdit[] {
  return change(steps, i, (s) => {
    const held = s.humidity.from === s.humidity.to;
    const h = { ...s.humidity };
    if (end === 0 || held) h.from = value;
    if (end === 1 || held) h.to = value;
    return { ...s, humidity: h };
  });
}

/** The end of step `i` dragged to a moment. */
export function dragEnd<S extends Timed>(steps: S[], i: number, from_s: number, to_s: number): S[] {
  return change(steps, i, (s) => ({ ...s, minutes: Math.max(to_s - from_s, 1) / 60 }));
}

/** Make a holding step a ramp (to itself, ready to be dragged), or a ramp a hold at its start. */
export function toggleRamp(steps: StepEdit[], i: number): StepEdit[] {
  return change(steps, i, (s) => {
    if (!isRamp(s)) {
      return { ...s, temperature_c: [s.temperature_c[0], Number((s.temperature_c[1] - 1).toFixed(2))], minutes: s.minutes ?? 5 };
    }
    return { ...s, temperature_c: [s.temperature_c[0], s.temperature_c[0]], humidity: { ...s.humidity, to: s.humidity.from } };
  });
}

export const isRamp = (s: StepEdit): boolean =>
  s.temperature_c[0] !== s.temperature_c[1] || s.humidity.from !== s.humidity.to;

/** One more step of ten minutes in the air that the last one ends with. */
export function append(steps: StepEdit[]): StepEdit[] {
  const last = steps[steps.length - 1];
  const t = last.temperature_c[1];
  const h = last.humidity;
  const more: StepEdit = {
    temperature_c: [t, t],
    humidity: { key: h.key, from: h.to, to: h.to },
    minutes: 10,
    radius_um: null,
    thickness_um: null,
    mass_ug: null,
    wait: false,
    note: "",
  };
  return [...steps, more];
}

export function remove<S>(steps: S[], i: number): S[] {
  return steps.length > 1 ? steps.filter((_, k) => k !== i) : steps;
}

export function change<S>(steps: S[], i: number, how: (s: S) => S): S[] {
  return steps.map((s, k) => (k === i ? how(s) : s));
}

/** Round marks for an axis: about `count` of them, each a step of 1, 2 or 5 times a power of ten. */
export function ticks(low: number, high: number, count: number): number[] {
  const raw = (high - low) / Math.max(count, 1);
  if (!(raw > 0)) return [low];
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = ([1, 2, 5, 10].find((m) => m * power >= raw * (1 - 1e-9)) ?? 10) * power;
  const out: number[] = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-6; v += step) out.push(Number(v.toPrecision(12)));
  return out;
}

/** Marks of a time axis in seconds, at round seconds, minutes or hours. */
export function timeTicks(high: number, count: number): number[] {
  const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400];
  const step = steps.find((s) => high / s <= count) ?? 86400;
  return Array.from({ length: Math.floor(high / step + 1e-9) + 1 }, (_, i) => i * step);
}

export const HUMIDITY: Record<HumidityKey, { unit: string; places: number; step: number }> = {
  sigma_percent: { unit: "% over ice", places: 2, step: 0.1 },
  water_fraction: { unit: "of water saturation", places: 3, step: 0.005 },
  excess_g_m3: { unit: "g/m³", places: 3, step: 0.005 },
};
