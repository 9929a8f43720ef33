/** Shapes of the server's answers, by the names of PROTOCOL.md; made from the server's own description of them. */
import type { components } from "./shapes";

type Schemas = components["schemas"];

/** The server leaves nothing out of its answers: what may be missing in a request is there, or null, in an answer. */
type Sent<T> = T extends [infer A, infer B]
  ? [Sent<A>, Sent<B>]
  : T extends (infer U)[]
    ? Sent<U>[]
    : string extends keyof T
      ? T
    : T extends object
      ? { [K in keyof T]-?: Sent<T[K]> }
      : T;
export type Of<K extends keyof Schemas> = Sent<Schemas[K]>;

export type About = Of<"About">;
export type Air = Of<"Air">;
export type Apparatus = Of<"ApparatusShape">;
export type Branch = Of<"Branch">;
export type Chamber = Of<"Chamber">;
export type Clock = Of<"Clock">;
export type ByHand = Of<"ByHand">;
export type CrystalView = Of<"CrystalView">;
export type ErrorShape = Of<"Error">;
export type Held = Of<"HeldShape">;
export type Way = Held["way"];
export type Humidity = Of<"HumidityShape">;
export type HumidityKey = Humidity["key"];
export type Job = Of<"Job">;
export type Knob = Of<"Knob">;
export type Measured = Of<"Measured">;
export type MeasuredBrief = Of<"MeasuredBrief">;
export type MeasuredReading = Of<"MeasuredReading">;
export type MeasuredValue = Of<"MeasuredValue">;
export type Measurement = Of<"Measurement">;
export type MeasurementBrief = Of<"MeasurementBrief">;
export type Moment = Of<"Moment">;
export type Outline = Of<"Outline">;
export type Photo = Of<"Photo">;
export type PictureView = Of<"PictureView">;
export type RealTold = Of<"RealTold">;
export type RecipeBrief = Of<"RecipeBrief">;
export type RecipeView = Of<"RecipeView">;
export type Run = Of<"Run">;
export type RunView = Of<"RunView">;
export type Section = Of<"Section">;
export type SeriesWritten = Of<"SeriesWritten">;
export type Session = Of<"Session">;
export type SetAir = Of<"SetAir">;
export type SetStep = Of<"SetStepView">;
export type SetStepEdit = Of<"SetStepEdit">;
export type Setup = Of<"Setup">;
export type State = Of<"State">;
export type Step = Of<"StepView">;
export type StepEdit = Of<"StepEdit">;
export type Tree = Of<"Tree">;
export type Turn = Schemas["Turn"];

type Column = "time_s" | "temperature_c" | "sigma_percent" | "radius_um" | "thickness_um" | "mass_ug";
export interface Series {
  branch: number | null;
  columns: Record<Column, (number | null)[]>;
}
/** One line of a series, as the socket's `row` event says it. */
export type Row = Record<Column, number> & { branch: number };
