/** What the page knows of its session, and everything it can ask of it. */
import { batch, computed, signal } from "@preact/signals";
import { ApiError, ask } from "../api/client";
import type { Frame } from "../api/frames";
import { type Command, Live } from "../api/live";
import type * as T from "../api/types";
import { chime } from "./sound";
import { latest } from "./latest";
import { drawing, sound } from "./prefs";

export const about = signal<T.About | null>(null);
export const id = signal<string | null>(null);
export const title = signal("");
export const state = signal<T.State | null>(null);
export const air = signal<T.Air | null>(null);
export const setup = signal<T.Setup | null>(null);
export const tree = signal<T.Tree | null>(null);
export const clock = signal<T.Clock | null>(null);
export const photos = signal<T.Photo[]>([]);
export const notes = signal<{ text: string; level: string }[]>([]);
export const jobs = signal<T.Job[]>([]);
export const rows = signal<T.Row[]>([]);
export const linked = signal(false);
export const failure = signal<string | null>(null);
export const frame = signal<Frame | null>(null);

export const current = computed(() => tree.value?.branches.find((b) => b.number === tree.value?.current) ?? null);
/** The furthest recorded time of the current path. */
export const endOf = computed(() => Math.max(current.value?.end_s ?? 0, state.value?.time_s ?? 0));

/** Counters that tests and benchmarks wait on, as `window.__bench`. */
export const counters = { meshes: 0, act: 0, frame: 0, vertices: 0, faces: 0, arrived: 0, time: 0 };
(window as unknown as { __bench: typeof counters }).__bench = counters;

const KEY = "icewright.session";
const FIRST_SPEED = 20; // times real time
let live: Live | null = null;

// -- the session -------------------------------------------------------------------------------------------

/** Find the session of this tab again, or begin one. */
export async function begin(): Promise<void> {
  about.value = await ask<T.About>("about");
  const known = sessionStorage.getItem(KEY);
  if (known) {
    try {
      adopt(await ask<T.Session>(`sessions/${known}`));
      return;
    } catch (error) {
      if (!(error instanceof ApiError) || error.status !== 404) throw error;
    }
  }
  adopt(await ask<T.Session>("sessions", {}));
  // At full speed the example would be done before the first hint is read.
  state.value = await ask<T.State>(here("pace"), { speed: FIRST_SPEED });
}

/** Begin anew: from an example, a recipe of the folder, or the text of one. */
export async function beginWith(what: { example: string } | { recipe: string } | { toml: string }): Promise<boolean> {
  return attempt(async () => adopt(await ask<T.Session>("sessions", what)));
}

export function adopt(session: T.Session): void {
  const same = id.value === session.id && live !== null;
  sessionStorage.setItem(KEY, session.id);
  batch(() => {
    id.value = session.id;
    title.value = session.title;
    state.value = session.state;
    air.value = session.air;
    setup.value = session.setup;
    tree.value = session.tree;
    clock.value = session.clock;
    photos.value = session.photos;
    notes.value = session.notes.map((text) => ({ text, level: "note" }));
  });
  if (!same) {
    live?.close();
    live = new Live(session.id, { onFrame, onEvent, onLink });
  }
  void fetchRows();
}

function onLink(up: boolean): void {
  const back = up && !linked.value && counters.meshes > 0;
  linked.value = up;
  // After sleep or a restart of the server the page may have missed anything.
  if (back && id.value) void attempt(async () => adopt(await ask<T.Session>(`sessions/${id.value}`)));
}

function onFrame(got: Frame): void {
  counters.act = got.act;
  counters.frame = got.frame;
  counters.vertices = got.positions.length / 3;
  counters.faces = got.index.length / 3;
  counters.time = got.time;
  counters.arrived = performance.now();
  if (drawing) frame.value = got;
  counters.meshes += 1;
}

function onEvent(name: string, is: unknown): void {
  switch (name) {
    case "state":
      state.value = is as T.State;
      break;
    case "air":
      air.value = is as T.Air;
      break;
    case "setup":
      setup.value = is as T.Setup;
      break;
    case "tree": {
      const before = tree.value?.current;
      tree.value = is as T.Tree;
      if (tree.value.current !== before) void fetchRows();
      break;
    }
    case "row":
      addRow(is as T.Row);
      break;
    case "clock":
      takeClock(is as T.Clock);
      break;
    case "job": {
      const job = is as T.Job;
      jobs.value = [...jobs.value.filter((j) => j.number !== job.number), job];
      break;
    }
    case "note":
      notes.value = [...notes.value.slice(-20), is as { text: string; level: string }];
      break;
    case "gone":
      sessionStorage.removeItem(KEY);
      failure.value = "This session was deleted. Reload the page to begin a new one.";
      break;
  }
}

function addRow(row: T.Row): void {
  if (row.branch !== tree.value?.current) return;
  const kept = rows.value;
  const last = kept[kept.length - 1];
  if (last && row.time_s <= last.time_s) {
    if (kept.some((r) => Math.abs(r.time_s - row.time_s) < 1e-6)) return; // a replay says what is known
    rows.value = [...kept, row].sort((a, b) => a.time_s - b.time_s);
    return;
  }
  // Long runs: every second row of the older half goes, so that the curve stays drawable.
  rows.value = kept.length > 3000 ? [...kept.filter((_, i) => i % 2 === 0), row] : [...kept, row];
}

export function takeClock(is: T.Clock): void {
  clock.value = is;
  if (is.cue?.sound && sound.value) chime();
}

export function seriesRows(series: T.Series): T.Row[] {
  const c = series.columns;
  return c.time_s.map((time, i) => ({
    branch: series.branch ?? 0,
    time_s: time ?? 0,
    temperature_c: c.temperature_c[i] ?? Number.NaN,
    sigma_percent: c.sigma_percent[i] ?? Number.NaN,
    radius_um: c.radius_um[i] ?? Number.NaN,
    thickness_um: c.thickness_um[i] ?? Number.NaN,
    mass_ug: c.mass_ug[i] ?? Number.NaN,
  }));
}

async function fetchRows(): Promise<void> {
  const branch = tree.value?.current;
  if (branch === undefined) return;
  await attempt(async () => {
    const got = await ask<T.Series>(`sessions/${id.value}/branches/${branch}/series?most=1500`);
    if (tree.value?.current === branch) rows.value = seriesRows(got);
  });
}

// -- asking ------------------------------------------------------------------------------------------------

/** Do it; a refusal is shown in words and nothing else is lost. True if it went well. */
export async function attempt(what: () => Promise<void>): Promise<boolean> {
  try {
    await what();
    return true;
  } catch (error) {
    failure.value = error instanceof ApiError ? error.words : String(error);
    return false;
  }
}

/** A path below this session. */
export const here = (path: string): string => `sessions/${id.value}/${path}`;

async function command<A>(what: Command, body: object): Promise<A> {
  return live?.up ? live.say<A>(what, body) : ask<A>(here(what), body);
}

export interface TurnBody {
  temperature_c?: number;
  sigma_percent?: number;
  water_fraction?: number;
  excess_g_m3?: number;
  settings?: Record<string, number>;
  over_s?: number;
}

/** Two turns as one: the newer word on each knob; of the humidity only one measure can stand. */
export function mergeTurns(older: TurnBody, newer: TurnBody): TurnBody {
  const keys = ["sigma_percent", "water_fraction", "excess_g_m3"] as const;
  const kept: TurnBody = { ...older };
  if (keys.some((k) => newer[k] !== undefined)) for (const k of keys) delete kept[k];
  const settings = older.settings || newer.settings ? { settings: { ...older.settings, ...newer.settings } } : {};
  return { ...kept, ...newer, ...settings };
}

/** Turn knobs; what is asked while one turn is under way goes out as one. */
export const turn = latest<TurnBody>(
  (body) =>
    attempt(async () => {
      air.value = (await command<{ act: number; air: T.Air }>("turn", body)).air;
    }),
  mergeTurns,
);

export function pace(body: { paused?: boolean; speed?: number | null; beyond?: boolean }): Promise<boolean> {
  return attempt(async () => {
    state.value = await command<T.State>("pace", body);
  });
}

export function stepOn(body: { steps: number } | { seconds: number }): Promise<boolean> {
  return attempt(async () => {
    state.value = await command<T.State>("step", body);
  });
}

export function go(body: { branch?: number; time_s: number }): Promise<boolean> {
  return attempt(async () => {
    state.value = await command<T.State>("go", body);
    tree.value = await ask<T.Tree>(here("tree"));
  });
}

type NewSetup = Partial<Omit<T.Setup, "cautions" | "voxel_um" | "apparatus">> & { apparatus?: string; replay?: boolean };

export function changeSetup(body: NewSetup): Promise<boolean> {
  return attempt(async () => adopt(await ask<T.Session>(here("setup"), body)));
}

/** What lies in the folder may have changed since the page was opened. */
export function lookAgain(): Promise<boolean> {
  return attempt(async () => {
    about.value = await ask<T.About>("about");
  });
}

export function fork(name?: string): Promise<boolean> {
  return attempt(async () => {
    tree.value = await ask<T.Tree>(here("branches"), name ? { name } : {});
  });
}

export function editBranch(number: number, body: { name?: string; kept?: boolean }): Promise<boolean> {
  return attempt(async () => {
    await ask(here(`branches/${number}`), body, "PATCH");
    tree.value = await ask<T.Tree>(here("tree"));
  });
}

export function dropBranch(number: number): Promise<boolean> {
  return attempt(async () => {
    tree.value = await ask<T.Tree>(here(`branches/${number}`), undefined, "DELETE");
  });
}

export function putSteps(steps: T.StepEdit[]): Promise<boolean> {
  return attempt(async () => adopt(await ask<T.Session>(here("recipe"), { steps }, "PUT")));
}

export function putSettings(set_steps: T.SetStepEdit[]): Promise<boolean> {
  return attempt(async () => adopt(await ask<T.Session>(here("recipe"), { set_steps }, "PUT")));
}

export function putToml(toml: string): Promise<boolean> {
  return attempt(async () => adopt(await ask<T.Session>(here("recipe"), { toml }, "PUT")));
}

export function clockDo(body: { start?: boolean; key?: boolean; hold?: boolean }): Promise<boolean> {
  return attempt(async () => takeClock(await ask<T.Clock>(here("clock"), body)));
}
