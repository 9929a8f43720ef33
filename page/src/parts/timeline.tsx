/** Everything done, as curves over time: drag them, or type in the table below; then grow the changed recipe. */
import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { SetStep, StepEdit } from "../api/types";
import { current, go, putSteps, rows, setup, state } from "../state/bench";
import {
  append,
  dragEnd,
  dragHumidity,
  dragTemperature,
  editable,
  type End,
  HUMIDITY,
  isRamp,
  layOut,
  type Piece,
  remove,
  ticks,
  timeTicks,
  toggleRamp,
} from "../state/timeline";
import { settingWords } from "./chamber";
import { Field } from "./field";
import { clock, minus, spoken, um } from "./format";

const LEFT = 52;
const RIGHT = 14;
const STRIP = 46;
const GAP = 8;
const AXIS = 20;

export function TimelinePanel() {
  const box = useRef<HTMLDivElement>(null);
  const width = useSignal(700);
  const draft = useSignal<StepEdit[] | null>(null);
  useEffect(() => {
    if (!box.current) return;
    const watch = new ResizeObserver(([e]) => (width.value = Math.max(260, e.contentRect.width)));
    watch.observe(box.current);
    return () => watch.disconnect();
  }, []);

  const path = current.value;
  const s = state.value;
  if (!path || !s) return null;
  const sets = path.set_steps;
  const recorded = layOut(sets ?? path.steps, s.time_s);
  const edit = (how: (steps: StepEdit[]) => StepEdit[]): void => {
    const base = draft.value ?? recorded.map((p) => editable(p.step, p.to - p.from));
    draft.value = how(base);
  };
  const pieces = draft.value ? layOut(draft.value, s.time_s) : recorded;
  return (
    <section class="panel timeline" aria-labelledby="timeline-title">
      <div class="panel-head">
        <h2 id="timeline-title">What was done, and what comes</h2>
        {sets ? (
          <span class="aside">dashed: as set; solid: the air that came of it</span>
        ) : (
          <button type="button" class="small-button" onClick={() => edit(append)}>
            Add a step
          </button>
        )}
        {draft.value && (
          <span class="draft" role="group" aria-label="Changed recipe">
            <button
              type="button"
              class="primary"
              onClick={() => {
                const steps = draft.value;
                if (steps) void putSteps(steps).then((well) => well && (draft.value = null));
              }}
            >
              Grow it so
            </button>
            <button type="button" onClick={() => (draft.value = null)}>
              Leave it as it was
            </button>
          </span>
        )}
      </div>
      <div ref={box} class="curves">
        <Curves pieces={pieces} width={width.value} now={s.time_s} changed={draft.value !== null} fixed={sets !== null} edit={edit} />
      </div>
      <details class="steps">
        <summary>Steps as a table ({pieces.length})</summary>
        {sets ? <SetTable steps={sets} pieces={pieces} /> : <StepTable pieces={pieces} edit={edit} />}
      </details>
    </section>
  );
}

type Edit = (how: (steps: StepEdit[]) => StepEdit[]) => void;
interface CurvesProps {
  pieces: Piece[];
  width: number;
  now: number;
  changed: boolean;
  fixed: boolean; // steps are settings of an apparatus: what was set and what the air was are two curves
  edit: Edit;
}

function Curves({ pieces, width, now, changed, fixed, edit }: CurvesProps) {
  const kept = rows.value;
  const end = Math.max(60, now, pieces[pieces.length - 1]?.to ?? 0, kept[kept.length - 1]?.time_s ?? 0) * 1.04;
  const x = (t: number): number => LEFT + (t / end) * (width - LEFT - RIGHT);
  const time = (px: number): number => Math.max(0, ((px - LEFT) / (width - LEFT - RIGHT)) * end);
  const temps = [...pieces.flatMap((p) => p.step.temperature_c), ...(fixed ? kept.map((r) => r.temperature_c) : [])];
  const key = pieces[pieces.length - 1]?.step.humidity.key ?? "sigma_percent";
  // One strip, one unit: steps given in another measure are drawn from what the air was.
  const same = pieces.every((p) => p.step.humidity.key === key);
  const asked = same ? pieces.flatMap((p) => [p.step.humidity.from, p.step.humidity.to]) : [];
  const moist = same && !fixed ? asked : [...asked, ...kept.map((r) => r.sigma_percent)];
  const t = strip(0, temps, 1);
  const h = strip(1, moist, same ? HUMIDITY[key].step * 10 : 1, 0);
  const size = strip(2, [...kept.map((r) => r.radius_um), ...kept.map((r) => r.thickness_um / 2)], 1, 0);
  const height = 3 * (STRIP + GAP) + AXIS;
  const line = (of: (p: Piece) => [number, number], y: (v: number) => number): string =>
    pieces.map((p, i) => `${i ? "L" : "M"}${x(p.from)} ${y(of(p)[0])}L${x(p.to)} ${y(of(p)[1])}`).join("");
  const curve = (of: "radius_um" | "thickness_um" | "sigma_percent" | "temperature_c", y: (v: number) => number, part = 1): string =>
    kept
      .filter((r) => Number.isFinite(r[of]))
      .map((r, i) => `${i ? "L" : "M"}${x(r.time_s).toFixed(1)} ${y(r[of] * part).toFixed(1)}`)
      .join("");
  return (
    <svg
      width={width}
      height={height}
      viewBox={`0 0 ${width} ${height}`}
      role="group"
      aria-label="Temperature, supersaturation and size over time"
      onClick={(e) => {
        if ((e.target as Element).closest("[role=slider]") || changed) return;
        const left = e.currentTarget.getBoundingClientRect().left;
        const to = time(e.clientX - left);
        if (to <= (kept[kept.length - 1]?.time_s ?? 0)) void go({ time_s: to });
      }}
    >
      {[t, h, size].map((of, i) => (
        <Strip key={i} of={of} width={width} />
      ))}
      {timeTicks(end, Math.max(3, width / 90)).map((v) => (
        <text key={v} class="tick" x={x(v)} y={height - 5} text-anchor="middle">
          {clock(v)}
        </text>
      ))}
      {pieces.slice(0, -1).map((p, i) => (
        <line key={i} class="border" x1={x(p.to)} x2={x(p.to)} y1={0} y2={height - AXIS} />
      ))}
      <path class={`curve warm ${fixed ? "asked" : ""}`} d={line((p) => p.step.temperature_c, t.y)} />
      {fixed && <path class="curve warm actual-air" d={curve("temperature_c", t.y)} />}
      {fixed && <path class="curve moist actual-air" d={curve("sigma_percent", h.y)} />}
      {same ? (
        <path class={`curve moist ${fixed ? "asked" : ""}`} d={line((p) => [p.step.humidity.from, p.step.humidity.to], h.y)} />
      ) : (
        <path class="curve moist" d={curve("sigma_percent", h.y)} />
      )}
      <path class={`curve size ${changed ? "past" : ""}`} d={curve("radius_um", size.y)} />
      <path class={`curve size thin ${changed ? "past" : ""}`} d={curve("thickness_um", size.y, 0.5)} />
      <StripName of={t} words="°C" width={width} />
      <StripName of={h} words={same ? HUMIDITY[key].unit : "% over ice"} width={width} />
      <StripName of={size} words="µm: radius, half thickness" width={width} />
      <line class="now" x1={x(now)} x2={x(now)} y1={0} y2={height - AXIS} />
      {!fixed && pieces.map((p, i) => (
        <g key={i}>
          {([0, 1] as End[]).map((e) => {
            if (e === 1 && !isRamp(p.step)) return null;
            const at = e ? p.to : p.from;
            const inset = isRamp(p.step) ? 0 : (p.to - p.from) / 2;
            return (
              <g key={e}>
                <Handle
                  name={`Step ${i + 1}, temperature${isRamp(p.step) ? (e ? " at its end" : " at its start") : ""}`}
                  tone="warm"
                  x={x(at + inset)}
                  y={t.y(p.step.temperature_c[e])}
                  value={p.step.temperature_c[e]}
                  low={-70}
                  high={0}
                  step={0.1}
                  words={`${minus(p.step.temperature_c[e].toFixed(2))} °C`}
                  toValue={(_, py) => Number(t.value(py).toFixed(1))}
                  onValue={(v) => edit((steps) => dragTemperature(steps, i, e, v))}
                />
                {same && (
                  <Handle
                    name={`Step ${i + 1}, humidity${isRamp(p.step) ? (e ? " at its end" : " at its start") : ""}`}
                    tone="moist"
                    x={x(at + inset)}
                    y={h.y(e ? p.step.humidity.to : p.step.humidity.from)}
                    value={e ? p.step.humidity.to : p.step.humidity.from}
                    low={-100}
                    high={300}
                    step={HUMIDITY[key].step}
                    words={`${minus((e ? p.step.humidity.to : p.step.humidity.from).toFixed(HUMIDITY[key].places))} ${HUMIDITY[key].unit}`}
                    toValue={(_, py) => Number(h.value(py).toFixed(HUMIDITY[key].places - 1))}
                    onValue={(v) => edit((steps) => dragHumidity(steps, i, e, v))}
                  />
                )}
              </g>
            );
          })}
          <Handle
            name={`Step ${i + 1}, its end`}
            tone="plain"
            x={x(p.to)}
            y={height - AXIS}
            value={p.to - p.from}
            low={1}
            high={1209600}
            step={10}
            words={p.open ? `${spoken(p.to - p.from)} so far` : spoken(p.to - p.from)}
            toValue={(px) => Math.max(1, Math.round(time(px) - p.from))}
            onValue={(v) => edit((steps) => dragEnd(steps, i, p.from, p.from + v))}
          />
        </g>
      ))}
    </svg>
  );
}

interface StripOf {
  top: number;
  low: number;
  high: number;
  y: (v: number) => number;
  value: (y: number) => number;
}

function strip(index: number, values: number[], least: number, floor?: number): StripOf {
  const good = values.filter((v) => Number.isFinite(v));
  let low = good.length ? Math.min(...good) : 0;
  let high = good.length ? Math.max(...good) : 1;
  if (floor !== undefined) low = Math.min(low, floor);
  const lack = Math.max(0, least - (high - low));
  const room = (high - low + lack) * 0.18;
  if (floor === undefined) low -= lack / 2;
  high += floor === undefined ? lack / 2 : lack;
  high += room;
  if (floor === undefined || low < floor) low -= room;
  const top = index * (STRIP + GAP) + 4;
  const y = (v: number): number => top + STRIP - ((v - low) / (high - low)) * STRIP;
  return { top, low, high, y, value: (py) => low + ((top + STRIP - py) / STRIP) * (high - low) };
}

function Strip({ of, width }: { of: StripOf; width: number }) {
  return (
    <g aria-hidden="true">
      <rect class="ground" x={LEFT} y={of.top} width={width - LEFT - RIGHT} height={STRIP} />
      {ticks(of.low, of.high, 2.5).map((v) => (
        <g key={v}>
          <line class="grid" x1={LEFT} x2={width - RIGHT} y1={of.y(v)} y2={of.y(v)} />
          <text class="tick" x={LEFT - 6} y={Math.min(Math.max(of.y(v) + 4, of.top + 9), of.top + STRIP)} text-anchor="end">
            {minus(String(v))}
          </text>
        </g>
      ))}
    </g>
  );
}

/** Drawn over the curves, with a rim of the ground's colour, so that it can be read wherever they run. */
function StripName({ of, words, width }: { of: StripOf; words: string; width: number }) {
  return (
    <text class="tick name" x={width - RIGHT - 6} y={of.top + 12} text-anchor="end" aria-hidden="true">
      {words}
    </text>
  );
}

interface HandleProps {
  name: string;
  tone: string;
  x: number;
  y: number;
  value: number;
  low: number;
  high: number;
  step: number;
  words: string;
  toValue: (px: number, py: number) => number;
  onValue: (value: number) => void;
}

/** A point that is dragged by pointer or moved by arrow keys; a slider to assistive technology. */
function Handle({ name, tone, x, y, value, low, high, step, words, toValue, onValue }: HandleProps) {
  const dragging = useRef(false);
  const clamp = (v: number): number => Math.min(high, Math.max(low, v));
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const keys: Record<string, number> = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 };
  return (
    <g
      class={`handle ${tone}`}
      role="slider"
      tabindex={0} // in lower case: attributes of SVG are not put right
      aria-label={name}
      aria-valuenow={value}
      aria-valuemin={low}
      aria-valuemax={high}
      aria-valuetext={words}
      transform={`translate(${x} ${y})`}
      onKeyDown={(e) => {
        const by = keys[e.key];
        if (!by) return;
        e.preventDefault();
        e.stopPropagation();
        onValue(clamp(Number((value + by * step).toFixed(places + 1))));
      }}
      onPointerDown={(e) => {
        dragging.current = true;
        e.currentTarget.setPointerCapture(e.pointerId);
        e.preventDefault();
        (e.currentTarget as unknown as HTMLElement).focus();
      }}
      onPointerMove={(e) => {
        if (!dragging.current) return;
        const box = e.currentTarget.ownerSVGElement?.getBoundingClientRect();
        if (box) onValue(clamp(toValue(e.clientX - box.left, e.clientY - box.top)));
      }}
      onPointerUp={() => (dragging.current = false)}
      onPointerCancel={() => (dragging.current = false)}
    >
      <circle class="reach" r={16} />
      {tone === "plain" ? <path d="M0 -7 6 4H-6Z" /> : <circle r={5.5} />}
    </g>
  );
}

/** What was set, step by step; a recipe in settings is edited as text. */
function SetTable({ steps, pieces }: { steps: SetStep[]; pieces: Piece[] }) {
  const apparatus = setup.value?.apparatus;
  return (
    <ol class="step-list">
      {steps.map((s, i) => (
        <li key={i}>
          <span class="step-when">
            {clock(pieces[i].from)} to {pieces[i].open ? "…" : clock(pieces[i].to)}
          </span>
          <span>
            {Object.entries(s.settings)
              .map(([name, ends]) => settingWords(apparatus, name, ends))
              .join(", ")}
          </span>
          {s.radius_um !== null && <span>or to a radius of {um(s.radius_um)}</span>}
          {s.note && <span class="aside">{s.note}</span>}
        </li>
      ))}
      <li class="aside">To change what was set, edit the recipe as text.</li>
    </ol>
  );
}

function StepTable({ pieces, edit }: { pieces: Piece[]; edit: Edit }) {
  const set = (i: number, part: Partial<StepEdit>): void => edit((steps) => steps.map((s, k) => (k === i ? { ...s, ...part } : s)));
  return (
    <ol class="step-list">
      {pieces.map((p, i) => {
        const s = p.step;
        const h = HUMIDITY[s.humidity.key];
        const n = `Step ${i + 1}`;
        return (
          <li key={i}>
            <span class="step-when">
              {clock(p.from)} to {p.open ? "…" : clock(p.to)}
            </span>
            <Field label={`${n}: temperature from`} unit="°C" value={s.temperature_c[0]} short="from" onValue={(v) => v !== null && edit((x) => dragTemperature(x, i, 0, v))} />
            {isRamp(s) && (
              <Field label={`${n}: temperature to`} unit="°C" value={s.temperature_c[1]} short="to" onValue={(v) => v !== null && edit((x) => dragTemperature(x, i, 1, v))} />
            )}
            <Field label={`${n}: humidity from`} unit={h.unit} places={h.places} value={s.humidity.from} short="humidity" onValue={(v) => v !== null && edit((x) => dragHumidity(x, i, 0, v))} />
            {isRamp(s) && (
              <Field label={`${n}: humidity to`} unit={h.unit} places={h.places} value={s.humidity.to} short="to" onValue={(v) => v !== null && edit((x) => dragHumidity(x, i, 1, v))} />
            )}
            <Field label={`${n}: lasts`} unit="min" value={s.minutes} optional short="lasts" onValue={(v) => set(i, { minutes: v })} />
            <Field label={`${n}: or to a radius of`} unit="µm" value={s.radius_um} optional short="or to radius" onValue={(v) => set(i, { radius_um: v })} />
            <label class="choice">
              <input type="checkbox" checked={s.wait} onChange={(e) => set(i, { wait: e.currentTarget.checked })} />
              <span>wait for a key</span>
            </label>
            <button type="button" class="small-button" onClick={() => edit((x) => toggleRamp(x, i))}>
              {isRamp(s) ? "hold" : "ramp"}
            </button>
            <button type="button" class="small-button" disabled={pieces.length < 2} onClick={() => edit((x) => remove(x, i))}>
              remove
            </button>
          </li>
        );
      })}
    </ol>
  );
}
