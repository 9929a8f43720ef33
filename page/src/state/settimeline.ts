/** Steps in the settings of an apparatus as curves that can be dragged, each on the steps of its knob. */
import type { Knob, SetStep, SetStepEdit } from "../api/types";
import { change, type End, endsOf } from "./timeline";

/** Only what an edit may hold, without when it ran or what air it set. */
export function editableSet(step: SetStep | SetStepEdit, lasted_s?: number): SetStepEdit {
  const settings: SetStepEdit["settings"] = {};
  for (const [name, [from, to]] of Object.entries(step.settings)) settings[name] = [from, to];
  return { settings, ...endsOf(step, lasted_s) };
}

export const ramps = (step: SetStepEdit, name: string): boolean => step.settings[name][0] !== step.settings[name][1];

/** The nearest value that the knob can show. */
export function onKnob(knob: Knob, value: number): number {
  const near = knob.step > 0 ? knob.low + Math.round((value - knob.low) / knob.step) * knob.step : value;
  return Number(Math.min(knob.high, Math.max(knob.low, near)).toFixed(9));
}

/** A setting at one end of step `i` dragged to `value`; a step that holds it goes on holding. */
export function dragSetting(steps: SetStepEdit[], i: number, knob: Knob, end: End, value: number): SetStepEdit[] {
  const to = onKnob(knob, value);
  return change(steps, i, (s) => {
    const ends: [number, number] = ramps(s, knob.name) ? [...s.settings[knob.name]] : [to, to];
    ends[end] = to;
    return { ...s, settings: { ...s.settings, [knob.name]: ends } };
  });
}

/** Make a held setting a ramp by one step of its knob, ready to be dragged, or a ramp a hold at its start. */
export function toggleSetting(steps: SetStepEdit[], i: number, knob: Knob): SetStepEdit[] {
  return change(steps, i, (s) => {
    const [from] = s.settings[knob.name];
    const by = knob.step || (knob.high - knob.low) / 100;
    const to = ramps(s, knob.name) ? from : onKnob(knob, from - by >= knob.low ? from - by : from + by);
    return { ...s, minutes: s.minutes ?? 5, settings: { ...s.settings, [knob.name]: [from, to] } };
  });
}

/** One more step of ten minutes with the knobs where the last one leaves them. */
export function appendSet(steps: SetStepEdit[]): SetStepEdit[] {
  const settings: SetStepEdit["settings"] = {};
  for (const [name, [, to]] of Object.entries(steps[steps.length - 1].settings)) settings[name] = [to, to];
  return [...steps, { settings, minutes: 10, radius_um: null, thickness_um: null, mass_ug: null, wait: false, note: "" }];
}
