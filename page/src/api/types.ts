/** Shapes of the server's answers; PROTOCOL.md says what each means. */

export interface Sizes {
  radius_um: number;
  thickness_um: number;
  mass_ug: number;
  aspect_ratio: number;
}
export interface Rates {
  radius_um_min: number | null;
  thickness_um_min: number | null;
  mass_ug_min: number | null;
}
export type WorkerState = "starting" | "growing" | "paused" | "at-rest" | "going" | "outgrown" | "lost" | "asleep" | "failed";
export interface State {
  branch: number;
  time_s: number;
  act: number;
  paused: boolean;
  speed: number | null;
  pace: number | null;
  worker: WorkerState;
  status: string;
  sizes: Sizes;
  rates: Rates;
  habit: string | null;
  step: number;
  replaying: boolean;
  outgrown: boolean;
  going_to_s: number | null;
  temperature_c: number;
  sigma_percent: number;
  ramp_left_s: number | null;
  flux_ratio: number | null;
  mass_balance_error: number | null;
}
export interface Air {
  temperature_c: number;
  sigma_percent: number;
  water_fraction: number;
  excess_g_m3: number;
  pressure_hpa: number;
  frost_point_c: number | null;
  dew_point_c: number | null;
  sigma_water_percent: number;
  margin_percent: number;
  above_water: boolean;
  favours: { habit: string; words: string; why: string[]; from_memory: boolean; marks: string[] };
  scales: { v_kin_um_s: number; X0_um: number; capillary_nm: number; chi0: number; D_cm2_s: number };
}
export type Way = "free" | "plate" | "pedestal" | "needle";
export interface Held {
  way: Way;
  height_um: number | null;
  stalk_radius_um: number | null;
}
export interface Setup {
  pressure_hpa: number;
  held: Held;
  seed: { radius_um: number | null; thickness_um: number | null };
  kinetics: string;
  voxel_um: number;
  final_radius_um: number;
  cautions: string[];
}
export type HumidityKey = "sigma_percent" | "water_fraction" | "excess_g_m3";
export interface Humidity {
  key: HumidityKey;
  from: number;
  to: number;
}
export interface StepEdit {
  temperature_c: [number, number];
  humidity: Humidity;
  minutes: number | null;
  radius_um: number | null;
  thickness_um: number | null;
  mass_ug: number | null;
  wait: boolean;
  note: string;
}
export interface Step extends StepEdit {
  from_s: number | null;
  to_s: number | null;
}
export interface Moment {
  number: number;
  time_s: number;
  radius_um: number;
  thickness_um: number;
}
export interface Branch {
  number: number;
  name: string;
  kept: boolean;
  parent: number | null;
  from_s: number;
  end_s: number;
  steps: Step[];
  moments: Moment[];
  last: Sizes | null;
  habit: string;
}
export interface Tree {
  branches: Branch[];
  current: number;
}
export interface Cue {
  step: number;
  words: string;
  at_um: number | null;
  at_thickness_um: number | null;
  in_s: number | null;
  waiting: boolean;
  sound: boolean;
  air: { temperature_c: number; sigma_percent: number; water_fraction: number };
}
export interface Clock {
  running: boolean;
  held: boolean;
  elapsed_s: number;
  model_s: number;
  step: number;
  steps: number;
  cue: Cue | null;
  offset_s: number;
  done: boolean;
}
export interface Photo {
  number: number;
  name: string;
  width: number;
  height: number;
  um_per_pixel: number;
  x_um: number;
  y_um: number;
  rotation_deg: number;
  opacity: number;
}
export interface Session {
  id: string;
  title: string;
  state: State;
  air: Air;
  setup: Setup;
  tree: Tree;
  clock: Clock;
  notes: string[];
  photos: Photo[];
}
export interface Series {
  branch: number | null;
  columns: Record<"time_s" | "temperature_c" | "sigma_percent" | "radius_um" | "thickness_um" | "mass_ug", (number | null)[]>;
}
export interface RecipeView {
  title: string;
  toml: string;
  steps: Step[];
  warnings: string[];
  from_memory: string[];
}
export interface Job {
  number: number;
  name: string;
  session: string;
  state: "waiting" | "growing" | "drawing" | "done" | "stopped" | "failed";
  fraction: number | null;
  eta_s: number | null;
  time_min: number | null;
  radius_um: number | null;
  thickness_um: number | null;
  status: string;
  error: ErrorShape | null;
}
export interface Run {
  name: string;
  title: string;
  state: string;
  status: string;
  changed: number;
  habit: string;
  radius_um: number | null;
  thickness_um: number | null;
  time_min: number | null;
  thumbnail: boolean;
}
export interface RunView extends Run {
  words: string[];
  warnings: string[];
  pictures: string[];
  frames: { number: number; time_s: number }[];
  exports: string[];
}
export interface Section {
  plane: "basal" | "axial";
  x_um: number[];
  y_um: number[];
  frozen_s: (number | null)[][];
}
export interface ErrorShape {
  kind: string;
  message: string;
  got: string | null;
  wanted: string | null;
  do: string | null;
}
export interface Row {
  branch: number;
  time_s: number;
  temperature_c: number;
  sigma_percent: number;
  radius_um: number;
  thickness_um: number;
  mass_ug: number;
}

export interface About {
  version: string;
  protocol: number;
  folder: string;
  kinetics: string[];
  ways: Way[];
  limits: Record<string, [number, number]>;
  recipes: string[];
  examples: string[];
  hints: string[];
  data_note: string;
}
export interface RecipeBrief {
  name: string;
  title: string;
  changed: number;
}
