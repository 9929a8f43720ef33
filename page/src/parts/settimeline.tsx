/** The settings of an apparatus as curves over time that can be dragged, above the air: as set, and as it comes of that. */
import { useSignal } from "@preact/signals";
import { useRef } from "preact/hooks";
import { ApiError, ask } from "../api/client";
import type { Apparatus, Knob, SetAir, SetStepEdit } from "../api/types";
import { current, here, putSettings, rows, setup, state } from "../state/bench";
import { latest } from "../state/latest";
import { appendSet, dragSetting, editableSet, onKnob, ramps, toggleSetting } from "../state/settimeline";
import { change, dragEnd, type End, layOut, type Piece, remove } from "../state/timeline";
import { capital, placesOf, shownUnit } from "./chamber";
import { Field } from "./field";
import { clock, minus, printed } from "./format";
import { DraftButtons, EndFields, EndHandle } from "./stepparts";
import { AXIS, goThere, Handle, heightOf, LEFT, RIGHT, rowsLine, steppedLine, Strip, strip, StripName, through, TimeAxis, useWidth } from "./strips";

type Edit = (how: (steps: SetStepEdit[]) => SetStepEdit[]) => void;

export function SetTimelinePanel() {
  const [box, width] = useWidth();
  const draft = useSignal<SetStepEdit[] | null>(null);
  const told = useSignal<SetAir | null>(null);
  const refused = useSignal("");
  // The air of a draft is worked out by the server as it is dragged, one question at a time.
  const foresee = useRef(
    latest<{ steps: SetStepEdit[] }>(
      async ({ steps }) => {
        try {
          told.value = await ask<SetAir>(here("recipe/air"), { set_steps: steps });
          refused.value = "";
        } catch (error) {
          refused.value = error instanceof ApiError ? error.words : String(error);
        }
      },
      (_, newer) => newer,
    ),
  ).current;
  const path = current.value;
  const s = state.value;
  const apparatus = setup.value?.apparatus;
  if (!path?.set_steps || !s || !apparatus) return null;
  const recorded = layOut(path.set_steps, s.time_s);
  const edit: Edit = (how) => {
    const steps = how(draft.value ?? recorded.map((p) => editableSet(p.step, p.to - p.from)));
    draft.value = steps;
    foresee({ steps });
  };
  const leave = (): void => {
    draft.value = told.value = null;
    refused.value = "";
  };
  const pieces: Piece<SetStepEdit>[] = draft.value ? layOut(draft.value, s.time_s) : recorded;
  const air = draft.value ? told.value : { set_steps: path.set_steps, steps: path.steps };
  return (
    <section class="panel timeline" aria-labelledby="timeline-title">
      <div class="panel-head">
        <h2 id="timeline-title">What was set, and the air that came of it</h2>
        <button type="button" class="small-button" onClick={() => edit(appendSet)}>
          Add a step
        </button>
        {draft.value && (
          <DraftButtons
            onGrow={() => {
              const steps = draft.value;
              if (steps) void putSettings(steps).then((well) => well && leave());
            }}
            onLeave={leave}
          />
        )}
      </div>
      {draft.value && refused.value && (
        <p class="caution" role="status">
          {printed(refused.value)}
        </p>
      )}
      <div ref={box} class="curves">
        <SetCurves apparatus={apparatus} pieces={pieces} air={air} width={width.value} now={s.time_s} changed={draft.value !== null} edit={edit} />
      </div>
      <details class="steps">
        <summary>Steps as a table ({pieces.length})</summary>
        <SetTable apparatus={apparatus} pieces={pieces} edit={edit} />
      </details>
    </section>
  );
}

const toneOf = (knob: Knob): string => (knob.unit === "degC" ? "warm" : "moist");
const at = (end: End, ramp: boolean): string => (ramp ? (end ? " at its end" : " at its start") : "");

interface SetCurvesProps {
  apparatus: Apparatus;
  pieces: Piece<SetStepEdit>[];
  air: SetAir | null;
  width: number;
  now: number;
  changed: boolean;
  edit: Edit;
}

function SetCurves({ apparatus, pieces, air, width, now, changed, edit }: SetCurvesProps) {
  const kept = rows.value;
  const end = Math.max(60, now, pieces[pieces.length - 1]?.to ?? 0, kept[kept.length - 1]?.time_s ?? 0) * 1.04;
  const x = (t: number): number => LEFT + (t / end) * (width - LEFT - RIGHT);
  const time = (px: number): number => Math.max(0, ((px - LEFT) / (width - LEFT - RIGHT)) * end);
  const knobs = apparatus.knobs;
  // What is set, laid where the pieces lie; a draft's answer may be one step behind its pieces.
  const asked = pieces.flatMap((p, i) => (air?.set_steps[i] ? [{ ...p, set: air.set_steps[i] }] : []));
  const last = asked[asked.length - 1]?.to ?? 0;
  const coming = layOut(air?.steps ?? [], now)
    .map((p) => ({ ...p, to: Math.min(p.to, Math.max(last, now)) }))
    .filter((p) => p.from <= p.to);
  const foreseen = changed ? coming : coming.filter((p) => p.to > now);
  const strips = knobs.map((k, i) => strip(i, pieces.flatMap((p) => p.step.settings[k.name] ?? []), (k.step || 0.1) * 10));
  const t = strip(knobs.length, [...asked.flatMap((p) => p.set.temperature_c), ...kept.map((r) => r.temperature_c)], 1);
  const percents = asked.flatMap((p) => [p.set.humidity.from, p.set.humidity.to]);
  const h = strip(knobs.length + 1, [...percents, ...kept.map((r) => r.sigma_percent)], 1, 0);
  const size = strip(knobs.length + 2, [...kept.map((r) => r.radius_um), ...kept.map((r) => r.thickness_um / 2)], 1, 0);
  const all = [...strips, t, h, size];
  const height = heightOf(all.length);
  const past = changed ? "past" : "";
  return (
    <svg
      width={width}
      height={height}
      viewBox={`0 0 ${width} ${height}`}
      role="group"
      aria-label="Settings, air and size over time"
      onClick={(e) => !changed && goThere(e, time)}
    >
      {all.map((of, i) => (
        <Strip key={i} of={of} width={width} />
      ))}
      <TimeAxis end={end} x={x} width={width} height={height} />
      {pieces.slice(0, -1).map((p, i) => (
        <path key={i} class="border" d={through(all, x(p.to))} />
      ))}
      {knobs.map((k, i) => (
        <g key={k.name}>
          <StripName of={strips[i]} words={`${k.label}, ${shownUnit(k.unit)}`} />
          <path class={`curve set ${toneOf(k)}`} d={steppedLine(pieces, (p) => p.step.settings[k.name], x, strips[i].y)} />
        </g>
      ))}
      <StripName of={t} words="air, °C: set (dashed), actual (solid)" />
      <path class="curve warm asked" d={steppedLine(asked, (p) => p.set.temperature_c, x, t.y)} />
      <path class={`curve warm actual-air ${past}`} d={rowsLine(kept, "temperature_c", x, t.y)} />
      <path class="curve warm foreseen" d={steppedLine(foreseen, (p) => p.step.temperature_c, x, t.y)} />
      <StripName of={h} words="% over ice: set (dashed), actual (solid)" />
      <path class="curve moist asked" d={steppedLine(asked, (p) => [p.set.humidity.from, p.set.humidity.to], x, h.y)} />
      <path class={`curve moist actual-air ${past}`} d={rowsLine(kept, "sigma_percent", x, h.y)} />
      <path class="curve moist foreseen" d={steppedLine(foreseen, (p) => [p.step.humidity.from, p.step.humidity.to], x, h.y)} />
      <StripName of={size} words="radius (solid) and half the thickness (dashed), µm" />
      <path class={`curve size ${past}`} d={rowsLine(kept, "radius_um", x, size.y)} />
      <path class={`curve size thin ${past}`} d={rowsLine(kept, "thickness_um", x, size.y, 0.5)} />
      <path class="now" d={through(all, x(now))} />
      {pieces.map((p, i) => (
        <g key={i}>
          {knobs.map((k, row) =>
            ([0, 1] as End[]).map((e) => {
              const ramp = ramps(p.step, k.name);
              if (e === 1 && !ramp) return null;
              const value = p.step.settings[k.name][e];
              return (
                <Handle
                  key={`${k.name} ${e}`}
                  name={`Step ${i + 1}, ${k.label}${at(e, ramp)}`}
                  tone={toneOf(k)}
                  x={x(ramp ? (e ? p.to : p.from) : (p.from + p.to) / 2)}
                  y={strips[row].y(value)}
                  value={value}
                  low={k.low}
                  high={k.high}
                  step={k.step || (k.high - k.low) / 100}
                  words={`${minus(String(Number(value.toFixed(placesOf(k.step)))))} ${shownUnit(k.unit)}`}
                  toValue={(_, py) => onKnob(k, strips[row].value(py))}
                  onValue={(v) => edit((steps) => dragSetting(steps, i, k, e, v))}
                />
              );
            }),
          )}
          <EndHandle number={i + 1} piece={p} x={x(p.to)} y={height - AXIS} time={time} onValue={(v) => edit((steps) => dragEnd(steps, i, p.from, p.from + v))} />
        </g>
      ))}
    </svg>
  );
}

function SetTable({ apparatus, pieces, edit }: { apparatus: Apparatus; pieces: Piece<SetStepEdit>[]; edit: Edit }) {
  return (
    <ol class="step-list">
      {pieces.map((p, i) => {
        const n = `Step ${i + 1}`;
        return (
          <li key={i}>
            <span class="step-when">
              {clock(p.from)} to {p.open ? "…" : clock(p.to)}
            </span>
            {apparatus.knobs.map((k) => {
              const unit = shownUnit(k.unit);
              const [from, to] = p.step.settings[k.name];
              const ramp = ramps(p.step, k.name);
              const set = (end: End, v: number | null): void => {
                if (v !== null) edit((x) => dragSetting(x, i, k, end, v));
              };
              return (
                <span class="setting" key={k.name}>
                  <Field label={`${n}: ${k.label}`} unit={unit} places={4} value={from} short={k.label} onValue={(v) => set(0, v)} />
                  {ramp && <Field label={`${n}: ${k.label} to`} unit={unit} places={4} value={to} short="to" onValue={(v) => set(1, v)} />}
                  <button type="button" class="small-button" aria-label={`${n}: ${ramp ? "hold" : "ramp"} ${k.label}`} onClick={() => edit((x) => toggleSetting(x, i, k))}>
                    {ramp ? "hold" : "ramp"}
                  </button>
                </span>
              );
            })}
            <EndFields name={n} step={p.step} onChange={(part) => edit((x) => change(x, i, (s) => ({ ...s, ...part })))} />
            {p.step.note && <span class="aside">{capital(p.step.note)}</span>}
            <button type="button" class="small-button" disabled={pieces.length < 2} onClick={() => edit((x) => remove(x, i))}>
              remove
            </button>
          </li>
        );
      })}
    </ol>
  );
}
