/** Photographs that were measured, and what a hand says of them. Every change is kept on the server at once. */
import { computed, effect, signal } from "@preact/signals";
import { address, ask } from "../api/client";
import type { ByHand, CrystalView, Measurement, MeasurementBrief, PictureView, SeriesWritten } from "../api/types";
import { attempt } from "./bench";
import { latest } from "./latest";
import { hexagon, open, type Pt } from "./outline";

export type Tool = "look" | "outline" | "centre" | "scale";

export const folders = signal<MeasurementBrief[] | null>(null);
export const folder = signal<Measurement | null>(null);
export const picture = signal<PictureView | null>(null);
export const chosen = signal(1); // the number of the crystal at hand
export const tool = signal<Tool>("look");
export const spot = signal(0); // the point of the outline at hand
export const reach = signal(0); // how far along the outline a drag is felt, pixels
export const ends = signal<[Pt, Pt] | null>(null); // two points a known distance apart
export const end = signal<0 | 1>(0); // the one of them at hand
export const busy = signal(0); // requests under way
export const told = signal(""); // what was done, for those who do not see it

export const crystal = computed(() => picture.value?.crystals.find((c) => c.number === chosen.value) ?? picture.value?.crystals[0] ?? null);
export const outlineOf = (c: CrystalView): Pt[] => open(c.by_hand.outline_px ?? c.found?.outline_px ?? []);
export const centreOf = (c: CrystalView): Pt | null => (c.by_hand.centre_px ?? c.now?.centre_px ?? c.found?.centre_px ?? null) as Pt | null;
export const touched = (b: ByHand): boolean => b.centre_px !== null || b.outline_px !== null || b.leave_out;

const at = (rest = "", name = folder.value?.name ?? ""): string => `measurements/${encodeURIComponent(name)}${rest}`;
export const imageAddress = (p: PictureView): string => address(at(`/pictures/${p.number}/image`));
export const fileAddress = (file: string): string => address(at(`/files/${file}`));

// -- undo: of everything done in this folder since it was opened; kept over a reload ------------------------

interface ScaleState {
  all: ScaleBody | null;
  own: ScaleBody | null;
}
type Done = { picture: number; tag: string; when: number } & (
  | { crystal: number; before: ByHand; after: ByHand }
  | { scale: true; before: ScaleState; after: ScaleState }
);
export const undone = signal<Done[]>([]);
export const done = signal<Done[]>([]);
const MOST_DONE = 40;
const ONE_MOVE_MS = 900; // nudges that follow each other so quickly are one move
const KEY = "icewright.photographs";
let warmed: string | null = null;

effect(() => {
  const where = { folder: folder.value?.name, picture: picture.value?.number, crystal: chosen.value, done: done.value, undone: undone.value };
  if (!where.folder) return;
  try {
    sessionStorage.setItem(KEY, JSON.stringify(where));
  } catch {
    // Too large or forbidden: undo then ends at a reload; the corrections themselves are on the server.
  }
});

function remember(entry: Done): void {
  const last = done.value[done.value.length - 1];
  undone.value = [];
  if (last && "crystal" in last && "crystal" in entry && last.tag && last.tag === entry.tag && last.crystal === entry.crystal &&
    last.picture === entry.picture && entry.when - last.when < ONE_MOVE_MS) {
    done.value = [...done.value.slice(0, -1), { ...entry, before: last.before }];
    return;
  }
  done.value = [...done.value.slice(1 - MOST_DONE), entry];
}

async function step(from: typeof done, to: typeof done, which: "before" | "after"): Promise<void> {
  const entry = from.value[from.value.length - 1];
  if (!entry) return;
  from.value = from.value.slice(0, -1);
  to.value = [...to.value, entry];
  if (picture.value?.number !== entry.picture) await show(entry.picture);
  if ("crystal" in entry) {
    chosen.value = entry.crystal;
    lay(entry.crystal, entry[which]);
  } else await layScale(entry[which]);
  told.value = which === "before" ? "Taken back." : "Done again.";
}
export const undo = (): Promise<void> => step(done, undone, "before");
export const redo = (): Promise<void> => step(undone, done, "after");

// -- opening -----------------------------------------------------------------------------------------------

export function list(): Promise<boolean> {
  return attempt(async () => {
    folders.value = await ask<MeasurementBrief[]>("measurements");
  });
}

/** Back to the folder and picture that this tab was at. */
export async function again(): Promise<void> {
  if (folder.value) return void (await openFolder(folder.value.name, picture.value?.number ?? 1, true));
  let was: { folder?: string; picture?: number; crystal?: number; done?: Done[]; undone?: Done[] } = {};
  try {
    was = JSON.parse(sessionStorage.getItem(KEY) ?? "{}");
  } catch {
    // Written by another version: begin anew.
  }
  if (!was.folder || !folders.value?.some((f) => f.name === was.folder && !f.error)) return;
  if (!(await openFolder(was.folder, was.picture ?? 1, true))) return;
  chosen.value = was.crystal ?? 1;
  done.value = was.done ?? [];
  undone.value = was.undone ?? [];
}

export function openFolder(name: string, number = 1, same = false): Promise<boolean> {
  return attempt(async () => {
    const got = await ask<Measurement>(at("", name));
    folder.value = got;
    if (!same) {
      done.value = [];
      undone.value = [];
    }
    await show(Math.min(Math.max(1, number), Math.max(1, got.pictures.length)));
  });
}

export function shut(): void {
  folder.value = null;
  picture.value = null;
  sessionStorage.removeItem(KEY);
  void list();
}

export async function show(number: number): Promise<void> {
  const name = folder.value?.name;
  const got = await ask<PictureView>(at(`/pictures/${number}`));
  if (folder.value?.name !== name) return; // another folder was opened meanwhile
  picture.value = got;
  if (!got.crystals.some((c) => c.number === chosen.value)) chosen.value = got.crystals[0]?.number ?? 1;
  spot.value = 0;
  ends.value = null;
}

/** Once a hand is about to correct, the server looks through the picture; what goes wrong is told at the correction. */
effect(() => {
  const p = picture.value;
  const key = p && `${folder.peek()?.name} ${p.number} ${p.scale_now.x_um / p.scale_now.y_um}`;
  if (!p?.shown || tool.value === "look" || key === warmed) return;
  warmed = key;
  void ask(at(`/pictures/${p.number}/ready`), {}).catch(() => (warmed = null));
});

export function go(by: number): void {
  const to = (picture.value?.number ?? 1) + by;
  if (to >= 1 && to <= (folder.value?.pictures.length ?? 0)) void attempt(() => show(to));
}

async function look(): Promise<void> {
  if (folder.value) folder.value = await ask<Measurement>(at());
}

// -- crystals ----------------------------------------------------------------------------------------------

const senders = new Map<string, (body: ByHand) => void>();

function sender(place: string, number: number): (body: ByHand) => void {
  const known = senders.get(place);
  if (known) return known;
  const name = folder.value?.name;
  const of = picture.value?.number;
  const made = latest<ByHand>(
    async (body) => {
      busy.value += 1;
      const well = await attempt(async () => {
        const got = await ask<CrystalView>(place, body, "PUT");
        if (folder.value?.name !== name || picture.value?.number !== of) return;
        if (!got.found && !got.now) drop(number);
        else patch(number, (c) => ({ ...c, found: got.found, now: got.now }));
        await look();
      });
      busy.value -= 1;
      // Refused: what is shown must be what is kept.
      if (!well && of && folder.value?.name === name && picture.value?.number === of) await attempt(() => show(of));
    },
    (_, newer) => newer,
  );
  senders.set(place, made);
  return made;
}

function patch(number: number, change: (c: CrystalView) => CrystalView): void {
  const p = picture.value;
  if (p) picture.value = { ...p, crystals: p.crystals.map((c) => (c.number === number ? change(c) : c)) };
}

function drop(number: number): void {
  const p = picture.value;
  if (p) picture.value = { ...p, crystals: p.crystals.filter((c) => c.number !== number) };
}

/** Show it so, and keep it. */
function lay(number: number, body: ByHand): void {
  const p = picture.value;
  if (!p) return;
  if (!p.crystals.some((c) => c.number === number)) picture.value = { ...p, crystals: [...p.crystals, { number, found: null, now: null, by_hand: body }] };
  patch(number, (c) => ({ ...c, by_hand: body }));
  sender(at(`/pictures/${p.number}/crystals/${number}`), number)(body);
}

/** Only shown, while the hand is still moving. */
export function draft(part: Partial<ByHand>): void {
  const c = crystal.value;
  if (c) patch(c.number, (old) => ({ ...old, by_hand: { ...old.by_hand, ...part } }));
}

/** A change of the crystal at hand. `before`: how it was when the hand took hold, if drafts were shown since. */
export function change(part: Partial<ByHand>, tag: string, before?: ByHand): void {
  const [c, p] = [crystal.value, picture.value];
  if (!c || !p) return;
  const after = { ...c.by_hand, ...part };
  remember({ picture: p.number, crystal: c.number, before: before ?? c.by_hand, after, tag, when: Date.now() });
  lay(c.number, after);
}

export const asFound = (): void => {
  change({ centre_px: null, outline_px: null, leave_out: false, note: "" }, "");
  told.value = "As found.";
};

/** An outline where the program found nothing: a hexagon in the middle, to be dragged into place. */
export function add(): void {
  const p = picture.value;
  if (!p) return;
  const number = Math.max(0, ...p.crystals.map((c) => c.number)) + 1;
  const body: ByHand = {
    centre_px: null,
    outline_px: hexagon(p.width / 2, p.height / 2, Math.max(12, Math.min(p.width, p.height) / 8)),
    leave_out: false,
    note: "",
  };
  const before: ByHand = { ...body, outline_px: null };
  remember({ picture: p.number, crystal: number, before, after: body, tag: "", when: Date.now() });
  lay(number, body);
  chosen.value = number;
  tool.value = "outline";
  told.value = `Crystal ${number} is a hexagon in the middle of the picture.`;
}

// -- scale -------------------------------------------------------------------------------------------------

export interface ScaleBody {
  x_um?: number;
  y_um?: number;
  u_percent?: number | null;
  points_px?: [Pt, Pt];
  distance_um?: number;
  u_distance_um?: number;
  note?: string;
}

const bare = (source: string): string => source.replace(/^by hand(: )?/, "");

function scaleState(): ScaleState {
  const p = picture.value;
  const all = folder.value?.scale_all;
  return {
    all: all ? { x_um: all.x_um, y_um: all.y_um, u_percent: all.u_percent, note: bare(all.source) } : null,
    own: p?.scale_by_hand === "picture" ? { x_um: p.scale_now.x_um, y_um: p.scale_now.y_um, u_percent: p.scale_now.u_percent, note: p.scale_note } : null,
  };
}

async function putScale(body: ScaleBody, forAll: boolean): Promise<void> {
  const p = picture.value;
  if (p) picture.value = await ask<PictureView>(at(`/pictures/${p.number}/scale`), { ...body, for_all: forAll }, "PUT");
}

async function layScale(to: ScaleState): Promise<void> {
  await attempt(async () => {
    await putScale(to.all ?? {}, true);
    if (to.own) await putScale(to.own, false);
    await look();
  });
}

/** Another scale; an empty body is "as found". */
export async function changeScale(body: ScaleBody, forAll: boolean): Promise<boolean> {
  const before = scaleState();
  const number = picture.value?.number ?? 1;
  busy.value += 1;
  const well = await attempt(async () => {
    await putScale(body, forAll);
    await look();
  });
  busy.value -= 1;
  if (well) remember({ picture: number, scale: true, before, after: scaleState(), tag: "", when: Date.now() });
  return well;
}

// -- the series, and photographs that are sent -------------------------------------------------------------

export async function writeSeries(): Promise<void> {
  busy.value += 1;
  await attempt(async () => {
    const got = await ask<SeriesWritten>(at("/series"), {});
    const count = (n: number, what: string): string => `${n} ${what}${n === 1 ? "" : "s"}`;
    told.value = `Written: ${count(got.rows, "row")}, ${got.corrected} of them corrected by hand${got.left_out ? `, ${count(got.left_out, "crystal")} left out` : ""}.`;
    await look();
  });
  busy.value -= 1;
}

export async function send(form: FormData): Promise<boolean> {
  busy.value += 1;
  const well = await attempt(async () => {
    const got = await ask<Measurement>("measurements/photos", form);
    await openFolder(got.name);
  });
  busy.value -= 1;
  return well;
}
