/** Crystals side by side: paths of this session, or runs of the folder; at most `MOST` of them. */
import { signal } from "@preact/signals";
import { ask, askBytes } from "../api/client";
import { type Frame, FrameReader } from "../api/frames";
import type * as T from "../api/types";
import { here, tree } from "./bench";

export type Compared = { kind: "paths"; of: number[] } | { kind: "runs"; of: string[] };
export const MOST = 6; // each has a view of its own, and browsers hold few of them
export const compared = signal<Compared | null>(null);
/** Measured series whose points lie on the same axis. */
export const measured = signal<T.Measured[]>([]);

export interface Side {
  name: string;
  series: T.Series;
  times: number[];
  mesh: (nearest: number) => Promise<Frame | null>;
}

const nearestOf = <M extends { time_s: number }>(all: M[], time: number): M | undefined =>
  all.reduce<M | undefined>((best, m) => (!best || Math.abs(m.time_s - time) < Math.abs(best.time_s - time) ? m : best), undefined);

async function still(path: string): Promise<Frame> {
  return new FrameReader().read(await askBytes(path));
}

export async function sides(what: Compared): Promise<Side[]> {
  return what.kind === "paths" ? Promise.all(what.of.map(pathSide)) : Promise.all(what.of.map(runSide));
}

/** The same with one more, or one less; never fewer than one. */
export function toggled(what: Compared, which: number | string): Compared {
  const of = what.of as (number | string)[];
  const next = of.includes(which) ? of.filter((w) => w !== which) : [...of, which].slice(0, MOST);
  return { kind: what.kind, of: next.length ? next : of } as Compared;
}

/** The stored moments of a path and of the paths it came from, up to where each was left. */
export function momentsOf(branches: T.Branch[], number: number): (T.Moment & { branch: number })[] {
  const out: (T.Moment & { branch: number })[] = [];
  let until = Infinity;
  for (let b = branches.find((o) => o.number === number); b; ) {
    for (const m of b.moments) if (m.time_s <= until) out.push({ ...m, branch: b.number });
    until = b.from_s;
    const parent = b.parent;
    b = parent === null ? undefined : branches.find((o) => o.number === parent);
  }
  return out.sort((x, y) => x.time_s - y.time_s);
}

async function pathSide(number: number): Promise<Side> {
  const branches = tree.value?.branches ?? [];
  const moments = momentsOf(branches, number);
  return {
    name: branches.find((b) => b.number === number)?.name || `Path ${number}`,
    series: await ask<T.Series>(here(`branches/${number}/series?most=800`)),
    times: moments.map((m) => m.time_s),
    mesh: async (time) => {
      const m = nearestOf(moments, time);
      return m ? still(here(`branches/${m.branch}/moments/${m.number}/mesh`)) : null;
    },
  };
}

async function runSide(name: string): Promise<Side> {
  const run = await ask<T.RunView>(`runs/${encodeURIComponent(name)}`);
  return {
    name: run.title || run.name,
    series: await ask<T.Series>(`runs/${encodeURIComponent(name)}/series`),
    times: run.frames.map((f) => f.time_s),
    mesh: async (time) => {
      const f = nearestOf(run.frames, time);
      return f ? still(`runs/${encodeURIComponent(name)}/frames/${f.number}/mesh`) : null;
    },
  };
}
