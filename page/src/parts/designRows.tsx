/** The target as rows: stages in the trade's words, numbers at the end, limits. All native controls; rows move by mouse and by key. */
import { useSignal } from "@preact/signals";
import { useState } from "preact/hooks";
import type { Span, StageDraft, TargetDraft } from "../api/designs";
import { about } from "../state/bench";
import { draft, edit, editStage, moveStage, stage, STARTERS, words } from "../state/design";
import { Field } from "./field";
import { minus, parseNumber } from "./format";

/** "50", "4 to 7", "4-7", "4–7": one value, or the least and the most. Null for nothing, undefined for no numbers. */
export function parseSpan(said: string): Span | null | undefined {
  const plain = said.trim();
  if (!plain) return null;
  const parts = plain.split(/\s*(?:to|–|\.\.|(?<=\d)-)\s*/).map(parseNumber);
  if (parts.length > 2 || parts.some((p) => p === null)) return undefined;
  const [low, high] = [parts[0] as number, (parts[1] ?? parts[0]) as number];
  return low <= high ? [low, high] : [high, low];
}
export const spanText = (span: Span | null): string => (span === null ? "" : span[0] === span[1] ? String(span[0]) : `${span[0]} to ${span[1]}`);

function SpanField({ label, unit, value, onSpan }: { label: string; unit: string; value: Span | null; onSpan: (span: Span | null) => void }) {
  const [typed, setTyped] = useState<string | null>(null);
  const [bad, setBad] = useState(false);
  const take = (): void => {
    if (typed === null) return;
    const got = parseSpan(typed);
    setBad(got === undefined);
    if (got === undefined) return;
    setTyped(null);
    onSpan(got);
  };
  return (
    <label class="field">
      <span>{label}</span>
      <span class="field-box">
        <input
          type="text"
          autocomplete="off"
          placeholder="any"
          aria-label={`${label}, ${unit}: one value, or such as 4 to 7`}
          aria-invalid={bad}
          value={typed ?? spanText(value)}
          onInput={(e) => setTyped(e.currentTarget.value)}
          onBlur={take}
          onKeyDown={(e) => e.key === "Enter" && take()}
        />
        <span class="unit">{unit}</span>
      </span>
    </label>
  );
}

export function Rows() {
  const d = draft.value;
  const dragged = useSignal<number | null>(null);
  return (
    <>
      <div class="buttons starters" role="group" aria-label="Begin from">
        {Object.entries(STARTERS).map(([name, make]) => (
          <button key={name} type="button" class="small-button" onClick={() => edit(make())}>
            {name}
          </button>
        ))}
      </div>
      <label class="line">
        <span>Title</span>
        <input type="text" maxLength={200} value={d.title} onChange={(e) => edit({ title: e.currentTarget.value })} />
      </label>
      <h3 id="stages-title">Stages</h3>
      <ol class="stages" aria-labelledby="stages-title">
        {d.stages.map((s, i) => (
          <StageRow key={i} at={i} of={d.stages.length} stage={s} dragged={dragged} />
        ))}
      </ol>
      <button type="button" onClick={() => edit({ stages: [...d.stages, next(d.stages)] })} disabled={d.stages.length >= 8}>
        Add a stage
      </button>
      <Numbers d={d} />
      <Limits d={d} />
      {d.rest && (
        <p class="aside">
          Also said, as text only: <code>{d.rest.replace(/\s+/g, " ")}</code>
        </p>
      )}
    </>
  );
}

/** A stage that goes on from the last. */
function next(all: StageDraft[]): StageDraft {
  const last = all[all.length - 1];
  if (!last) return stage("plate", [20, 20]);
  const reach = last.radius_um?.[1] ?? (last.thickness_um ? last.thickness_um[1] / 4 : 20);
  const long = last.habit.includes("column") || last.habit === "needle";
  return stage(long ? "capped column" : "branches", [Math.round(2 * reach), Math.round(2 * reach)]);
}

function StageRow({ at, of, stage: s, dragged }: { at: number; of: number; stage: StageDraft; dragged: { value: number | null } }) {
  const branching = ["branches", "stellar plate", "dendritic plate"].includes(s.habit) || s.side_branches_at_um.length > 0;
  const means = words.value?.habits.find((h) => h.word === s.habit)?.means ?? [];
  const name = `Stage ${at + 1}`;
  const go = (to: number): void => {
    moveStage(at, to);
    // The focus goes with the row.
    requestAnimationFrame(() => document.querySelectorAll<HTMLElement>(".stages > li")[to]?.querySelector<HTMLElement>("select")?.focus());
  };
  return (
    <li
      class="stage-row"
      onDragOver={(e) => dragged.value !== null && e.preventDefault()}
      onDrop={(e) => {
        if (dragged.value === null) return;
        e.preventDefault();
        e.stopPropagation();
        moveStage(dragged.value, at);
        dragged.value = null;
      }}
    >
      <fieldset>
        <legend class="unseen">{name}</legend>
        <div class="stage-head">
          <span
            class="grip"
            draggable={of > 1}
            title={of > 1 ? "Drag to another place" : undefined}
            aria-hidden="true"
            onDragStart={(e) => {
              dragged.value = at;
              e.dataTransfer?.setData("text/plain", name);
            }}
            onDragEnd={() => (dragged.value = null)}
          >
            {at + 1}
          </span>
          <select aria-label={`${name}, form`} value={s.habit} onChange={(e) => editStage(at, { habit: e.currentTarget.value })}>
            {(words.value?.habits ?? [{ word: s.habit }]).map((h) => (
              <option key={h.word} value={h.word}>
                {h.word}
              </option>
            ))}
          </select>
          <button type="button" class="small-button" aria-label={`${name} earlier`} disabled={at === 0} onClick={() => go(at - 1)}>
            ↑
          </button>
          <button type="button" class="small-button" aria-label={`${name} later`} disabled={at === of - 1} onClick={() => go(at + 1)}>
            ↓
          </button>
          <button
            type="button"
            class="small-button"
            aria-label={`Remove ${name.toLowerCase()}`}
            onClick={() => edit({ stages: draft.value.stages.filter((_, i) => i !== at) })}
          >
            ×
          </button>
        </div>
        <SpanField label="Radius at its end" unit="µm" value={s.radius_um} onSpan={(radius_um) => editStage(at, { radius_um })} />
        <SpanField label="Thickness at its end" unit="µm" value={s.thickness_um} onSpan={(thickness_um) => editStage(at, { thickness_um })} />
        {branching && <Branching at={at} stage={s} />}
        {means.length > 0 && <p class="aside">Means: {means.join(", ").replace(/\bum\b/g, "µm")}.</p>}
      </fieldset>
    </li>
  );
}

function Branching({ at, stage: s }: { at: number; stage: StageDraft }) {
  const [bad, setBad] = useState(false);
  return (
    <div class="branching">
      <label class="field branch-at">
        <span>Side branches at</span>
        <input
          type="text"
          class="wide-text"
          placeholder="180, 230"
          aria-label={`Stage ${at + 1}, side branches set off at radii, µm`}
          aria-invalid={bad}
          value={s.side_branches_at_um.join(", ")}
          onChange={(e) => {
            const found = e.currentTarget.value.split(/[;,\s]+/).filter(Boolean).map(parseNumber);
            setBad(found.some((v) => v === null));
            if (found.every((v) => v !== null)) editStage(at, { side_branches_at_um: found as number[] });
          }}
        />
      </label>
      {s.side_branches_at_um.length > 0 && (
        <select
          aria-label={`Stage ${at + 1}, side branches by`}
          value={s.set_off_by}
          onChange={(e) => editStage(at, { set_off_by: e.currentTarget.value as StageDraft["set_off_by"] })}
        >
          <option value="dip">by a dip of the humidity</option>
          <option value="pulse">by a pulse of the humidity</option>
        </select>
      )}
    </div>
  );
}

function Numbers({ d }: { d: TargetDraft }) {
  const set = (i: number, part: object): void => edit({ wanted: d.wanted.map((w, k) => (k === i ? { ...w, ...part } : w)) });
  return (
    <details open={d.wanted.length > 0}>
      <summary>Numbers at the end</summary>
      <ul class="plain">
        {d.wanted.map((w, i) => (
          <li key={i} class="line">
            <select aria-label={`Number ${i + 1}`} value={w.name} onChange={(e) => set(i, { name: e.currentTarget.value })}>
              {(words.value?.numbers ?? [w.name]).map((n) => (
                <option key={n} value={n}>
                  {n.replace(/_/g, " ")}
                </option>
              ))}
            </select>
            <SpanField label="is" unit="" value={[w.low, w.high]} onSpan={(span) => span && set(i, { low: span[0], high: span[1] })} />
            <button type="button" class="small-button" aria-label={`Remove number ${i + 1}`} onClick={() => edit({ wanted: d.wanted.filter((_, k) => k !== i) })}>
              ×
            </button>
          </li>
        ))}
      </ul>
      <button type="button" class="small-button" onClick={() => edit({ wanted: [...d.wanted, { name: "solidity", low: 0.4, high: 0.7 }] })}>
        Add a number
      </button>
    </details>
  );
}

function Limits({ d }: { d: TargetDraft }) {
  const l = d.limits;
  const set = (part: Partial<TargetDraft["limits"]>): void => edit({ limits: { ...l, ...part } });
  const cold = (at: 0 | 1, value: number | null): void => {
    if (value === null) return set({ temperature_c: null });
    const pair: Span = [...(l.temperature_c ?? [-30, -1])] as Span;
    pair[at] = value;
    set({ temperature_c: pair });
  };
  return (
    <details>
      <summary>Limits{l.minutes === null ? "" : ` (${l.minutes} min)`}, kinetics, apparatus</summary>
      <Field label="Within" unit="min" optional value={l.minutes} onValue={(minutes) => set({ minutes })} />
      <Field label="Never thicker than" unit="µm" optional value={l.thickness_um} onValue={(thickness_um) => set({ thickness_um })} />
      <Field label="Coldest air" unit="°C" optional value={l.temperature_c?.[0] ?? null} onValue={(v) => cold(0, v)} />
      <Field label="Warmest air" unit="°C" optional value={l.temperature_c?.[1] ?? null} onValue={(v) => cold(1, v)} />
      <Field label="Moistest air, of water saturation" unit="of 1" optional value={l.water_fraction} onValue={(water_fraction) => set({ water_fraction })} />
      <Field label="Most steps, where no stages are given" optional places={0} value={l.steps} onValue={(steps) => set({ steps: steps === null ? null : Math.round(steps) })} />
      <label class="line">
        <span>Kinetics</span>
        <select value={d.kinetics} onChange={(e) => edit({ kinetics: e.currentTarget.value })}>
          {[...new Set([...(about.value?.kinetics ?? []), d.kinetics])].filter(Boolean).map((k) => (
            <option key={k} value={k}>
              {k}
            </option>
          ))}
        </select>
      </label>
      {(about.value?.apparatus.length || d.apparatus) && (
        <label class="line">
          <span>Apparatus</span>
          <select value={d.apparatus} onChange={(e) => edit({ apparatus: e.currentTarget.value })}>
            <option value="">none: any air within the limits</option>
            {about.value?.apparatus.map((a) => (
              <option key={a} value={a}>
                {a}
              </option>
            ))}
          </select>
        </label>
      )}
      <p class="aside">{minus("Nothing said: -30 to -1 °C, up to water saturation, up to four hours.")}</p>
    </details>
  );
}
