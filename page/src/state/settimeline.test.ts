import { describe, expect, it } from "vitest";
import type { Knob, SetStep, SetStepEdit } from "../api/types";
import { appendSet, dragSetting, editableSet, onKnob, ramps, toggleSetting } from "./settimeline";

const plate: Knob = {
  name: "plate_c", label: "plate", words: "", unit: "degC", low: -40, high: -0.5, step: 0.1, fastest_per_min: 3, response_s: 25, response_from: "estimated",
}; // prettier-ignore
const step = (part: Partial<SetStepEdit> = {}): SetStepEdit => ({
  settings: { plate_c: [-15, -15], reservoir_c: [-14, -14] },
  minutes: 10,
  radius_um: null,
  thickness_um: null,
  mass_ug: null,
  wait: false,
  note: "",
  ...part,
});

describe("settings on the timeline", () => {
  it("are dragged on the steps of their knob and within its limits", () => {
    expect(onKnob(plate, -15.234)).toBe(-15.2);
    expect(onKnob(plate, -99)).toBe(-40);
    expect(dragSetting([step()], 0, plate, 0, -12.34)[0].settings.plate_c).toEqual([-12.3, -12.3]);
  });
  it("of a ramp move by one end, and no other knob with them", () => {
    const ramp = [step({ settings: { plate_c: [-15, -10], reservoir_c: [-14, -14] } })];
    expect(dragSetting(ramp, 0, plate, 1, -8)[0].settings).toEqual({ plate_c: [-15, -8], reservoir_c: [-14, -14] });
    expect(ramp[0].settings.plate_c).toEqual([-15, -10]); // what was recorded stays
  });
  it("become a ramp with a time, and a hold again", () => {
    const ramp = toggleSetting([step({ minutes: null, radius_um: 40 })], 0, plate);
    expect(ramp[0].settings.plate_c).toEqual([-15, -15.1]);
    expect(ramp[0].minutes).toBe(5);
    expect(ramps(toggleSetting(ramp, 0, plate)[0], "plate_c")).toBe(false);
    const low = step({ settings: { plate_c: [-40, -40], reservoir_c: [-14, -14] } });
    expect(toggleSetting([low], 0, plate)[0].settings.plate_c).toEqual([-40, -39.9]);
  });
  it("go on where the last step leaves them", () => {
    const more = appendSet([step({ settings: { plate_c: [-15, -10], reservoir_c: [-14, -14] } })]);
    expect(more[1].settings).toEqual({ plate_c: [-10, -10], reservoir_c: [-14, -14] });
  });
  it("are sent without when they ran or what air they set", () => {
    const shown = { ...step({ minutes: null }), from_s: 0, to_s: null, temperature_c: [-15, -15], humidity: { key: "sigma_percent", from: 2, to: 2 } };
    const sent = editableSet(shown as SetStep, 120);
    expect(Object.keys(sent).sort()).toEqual(["mass_ug", "minutes", "note", "radius_um", "settings", "thickness_um", "wait"]);
    expect(sent.minutes).toBe(2);
  });
});
