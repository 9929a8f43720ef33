/** The crystal that is wanted, the search for its recipe, and everything the page can ask of it. */
import { computed, effect, signal } from "@preact/signals";
import { ApiError, ask } from "../api/client";
import type { Design, DesignBrief, OutlineKept, Span, StageDraft, TargetDraft, TargetView, TargetWords } from "../api/designs";
import type { RecipeView } from "../api/types";
import { attempt, beginWith } from "./bench";
import { latest } from "./latest";
import { place } from "./view";

const KEY = "icewright.target";
const POLL_MS = 700;
const GOING = ["waiting", "searching", "stopping"];

export const stage = (habit = "plate", radius_um: Span | null = null, thickness_um: Span | null = null): StageDraft => ({
  habit,
  radius_um,
  thickness_um,
  minutes: null,
  side_branches_at_um: [],
  set_off_by: "dip",
  note: "",
});
const NO_LIMITS: TargetDraft["limits"] = { minutes: null, thickness_um: null, radius_um: null, temperature_c: null, water_fraction: null, steps: null };
const target = (title: string, stages: StageDraft[], limits: Partial<TargetDraft["limits"]> = {}): TargetDraft => ({
  title,
  kinetics: "layer-fits",
  apparatus: "",
  limits: { ...NO_LIMITS, ...limits },
  stages,
  habit: "",
  wanted: [],
  outline: null,
  crystal: null,
  rest: "",
});
/** To begin from; invented. */
export const STARTERS: Record<string, () => TargetDraft> = {
  "A thin plate": () => target("A thin plate", [stage("plate", [50, 50], [4, 7])], { minutes: 60, steps: 1 }),
  "A star on a plate": () =>
    target("A star on a plate", [stage("plate", [20, 20]), stage("branches", [50, 50]), stage("plate ends", [60, 60])], { minutes: 60, thickness_um: 40 }),
  "A capped column": () => target("A capped column", [stage("column", null, [80, 80]), stage("capped column", [40, 40])], { minutes: 90 }),
};

function kept(): TargetDraft {
  try {
    const held = sessionStorage.getItem(KEY);
    if (held) return JSON.parse(held) as TargetDraft;
  } catch {
    // What an older page kept is not worth a fault.
  }
  return STARTERS["A thin plate"]();
}

export const draft = signal<TargetDraft>(kept());
export const view = signal<TargetView | null>(null);
/** What is wrong with the target as it stands, in words. */
export const wrong = signal<string | null>(null);
export const text = signal("");
export const words = signal<TargetWords | null>(null);
export const designs = signal<DesignBrief[]>([]);
export const shown = signal<Design | null>(null);
export const going = computed(() => !!shown.value && GOING.includes(shown.value.state));
export const options = signal({ trials: 320, robust: false, spread: 20 });

effect(() => sessionStorage.setItem(KEY, JSON.stringify(draft.value)));

const said = (error: unknown): string => (error instanceof ApiError ? error.words : String(error));

const look = latest<{ draft: TargetDraft }>(
  async (asked) => {
    try {
      view.value = await ask<TargetView>("targets/write", asked.draft);
      text.value = view.value.toml;
      wrong.value = null;
    } catch (error) {
      wrong.value = said(error);
    }
  },
  (_, newer) => newer,
);

/** Change the target; the server says what it asks, or what is wrong with it. */
export function edit(part: Partial<TargetDraft>): void {
  draft.value = { ...draft.value, ...part };
  look({ draft: draft.value });
}

export function editStage(at: number, part: Partial<StageDraft>): void {
  edit({ stages: draft.value.stages.map((s, i) => (i === at ? { ...s, ...part } : s)) });
}

export function moveStage(from: number, to: number): void {
  const all = [...draft.value.stages];
  if (to < 0 || to >= all.length || from === to) return;
  all.splice(to, 0, ...all.splice(from, 1));
  edit({ stages: all });
}

/** The target as text takes the place of the rows, if it makes sense. */
export async function takeText(): Promise<boolean> {
  try {
    view.value = await ask<TargetView>("targets/read", { toml: text.value });
    draft.value = view.value.draft;
    wrong.value = null;
    return true;
  } catch (error) {
    wrong.value = said(error);
    return false;
  }
}

/** Keep a drawing or photograph in the folder and ask for its outline. */
export async function dropOutline(file: File): Promise<OutlineKept | null> {
  const form = new FormData();
  const radius = draft.value.outline?.radius_um ?? 50;
  form.append("file", file);
  form.append("radius_um", String(radius));
  try {
    const got = await ask<OutlineKept>("outlines", form);
    edit({ outline: { file: got.file, radius_um: radius, thickness_um: null }, crystal: null, stages: [] });
    return got;
  } catch (error) {
    wrong.value = said(error);
    return null;
  }
}

// -- searches ----------------------------------------------------------------------------------------------

let timer = 0;

export async function arrive(): Promise<void> {
  await attempt(async () => {
    words.value ??= await ask<TargetWords>("targets/words");
    designs.value = await ask<DesignBrief[]>("designs");
    if (!shown.value) {
      const running = designs.value.find((d) => GOING.includes(d.state));
      if (running) shown.value = await ask<Design>(at(running.name));
    }
  });
  if (!view.value) look({ draft: draft.value });
  follow();
}

const at = (name: string, rest = ""): string => `designs/${encodeURIComponent(name)}${rest}`;

/** Ask again and again while a search goes on; whoever leaves the place finds it as it then is. */
function follow(): void {
  window.clearTimeout(timer);
  if (!going.value) return;
  timer = window.setTimeout(() => void again(), POLL_MS);
}

async function again(): Promise<void> {
  const name = shown.value?.name;
  if (!name) return;
  try {
    const got = await ask<Design>(at(name));
    if (shown.value?.name === name) shown.value = got;
    if (!going.value) designs.value = await ask<DesignBrief[]>("designs");
  } catch {
    // The bench may just be starting again: it is asked once more.
  }
  follow();
}

export function open(name: string): Promise<boolean> {
  return attempt(async () => {
    shown.value = await ask<Design>(at(name));
    follow();
  });
}

/** A folder name that is free, from the title. */
export function freeName(): string {
  const plain = draft.value.title.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "") || "design";
  const taken = new Set(designs.value.map((d) => d.name));
  if (!taken.has(plain)) return plain;
  let count = 2;
  while (taken.has(`${plain}-${count}`)) count += 1;
  return `${plain}-${count}`;
}

export async function start(): Promise<void> {
  const toml = view.value?.toml;
  if (!toml) return;
  await attempt(async () => {
    designs.value = await ask<DesignBrief[]>("designs");
    shown.value = await ask<Design>("designs", { name: freeName(), toml, ...options.value });
    designs.value = await ask<DesignBrief[]>("designs");
  });
  follow();
}

export function tell(word: "stop" | "resume"): Promise<boolean> {
  return attempt(async () => {
    if (!shown.value) return;
    shown.value = await ask<Design>(at(shown.value.name, `/${word}`), {});
    follow();
  });
}

/** The recipe becomes a session of its own, as opening one from a file does, and its timeline is shown. */
export async function carry(file: string | null): Promise<void> {
  const design = shown.value;
  if (!design) return;
  let toml = design.best?.toml ?? "";
  if (file && !(await attempt(async () => void (toml = (await ask<RecipeView>(at(design.name, `/recipes/${file}`))).toml)))) return;
  if (await beginWith({ toml })) place.value = "bench";
}

/** Ask for the same again, to change it. */
export function takeTarget(): void {
  if (!shown.value) return;
  text.value = shown.value.toml;
  void takeText();
}
