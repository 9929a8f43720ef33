/** Everything done, as curves over time: drag them, or type in the table below; then grow the changed recipe. */
import { useSignal } from "@preact/signals";
import type { StepEdit } from "../api/types";
import { current, putSteps, rows, state } from "../state/bench";
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
  toggleRamp,
} from "../state/timeline";
import { Field } from "./field";
import { clock, minus } from "./format";
import { SetTimelinePanel } from "./settimeline";
import { DraftButtons, EndFields, EndHandle } from "./stepparts";
import {
  AXIS,
  goThere,
  Handle,
  heightOf,
  LEFT,
  RIGHT,
  type RowKey,
  rowsLine,
  steppedLine,
  Strip,
  strip,
  StripName,
  through,
  TimeAxis,
  useWidth,
} from "./strips";

export function TimelinePanel() {
  // One of its own for each kind of knob: a change of the apparatus leaves no half-made draft of the other.
  return current.value?.set_steps ? <SetTimelinePanel /> : <AirTimelinePanel />;
}

function AirTimelinePanel() {
  const [box, width] = useWidth();
  const draft = useSignal<StepEdit[] | null>(null);

  const path = current.value;
  const s = state.value;
  if (!path || !s) return null;
  const recorded = layOut(path.steps, s.time_s);
  const edit = (how: (steps: StepEdit[]) => StepEdit[]): void => {
    const base = draft.value ?? recorded.map((p) => editable(p.step, p.to - p.from));
    draft.value = how(base);
  };
  const pieces = draft.value ? layOut(draft.value, s.time_s) : recorded;
  return (
    <section class="panel timeline" aria-labelledby="timeline-title">
      <div class="panel-head">
        <h2 id="timeline-title">What was done, and what comes</h2>
        <button type="button" class="small-button" onClick={() => edit(append)}>
          Add a step
        </button>
        {draft.value && (
          <DraftButtons
            onGrow={() => {
              const steps = draft.value;
              if (steps) void putSteps(steps).then((well) => well && (draft.value = null));
            }}
            onLeave={() => (draft.value = null)}
          />
        )}
      </div>
      <div ref={box} class="curves">
        <Curves pieces={pieces} width={width.value} now={s.time_s} changed={draft.value !== null} edit={edit} />
      </div>
      <details class="steps">
        <summary>Steps as a table ({pieces.length})</summary>
        <StepTable pieces={pieces} edit={edit} />
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
  edit: Edit;
}

function Curves({ pieces, width, now, changed, edit }: CurvesProps) {
  const kept = rows.value;
  const end = Math.max(60, now, pieces[pieces.length - 1]?.to ?? 0, kept[kept.length - 1]?.time_s ?? 0) * 1.04;
  const x = (t: number): number => LEFT + (t / end) * (width - LEFT - RIGHT);
  const time = (px: number): number => Math.max(0, ((px - LEFT) / (width - LEFT - RIGHT)) * end);
  const temps = pieces.flatMap((p) => p.step.temperature_c);
  const key = pieces[pieces.length - 1]?.step.humidity.key ?? "sigma_percent";
  // One strip, one unit: steps given in another measure are drawn from what the air was.
  const same = pieces.every((p) => p.step.humidity.key === key);
  const asked = same ? pieces.flatMap((p) => [p.step.humidity.from, p.step.humidity.to]) : [];
  const moist = same ? asked : [...asked, ...kept.map((r) => r.sigma_percent)];
  const t = strip(0, temps, 1);
  const h = strip(1, moist, same ? HUMIDITY[key].step * 10 : 1, 0);
  const size = strip(2, [...kept.map((r) => r.radius_um), ...kept.map((r) => r.thickness_um / 2)], 1, 0);
  const height = heightOf(3);
  const line = (of: (p: Piece) => [number, number], y: (v: number) => number): string => steppedLine(pieces, of, x, y);
  const curve = (of: RowKey, y: (v: number) => number, part = 1): string => rowsLine(kept, of, x, y, part);
  return (
    <svg
      width={width}
      height={height}
      viewBox={`0 0 ${width} ${height}`}
      role="group"
      aria-label="Temperature, supersaturation and size over time"
      onClick={(e) => !changed && goThere(e, time)}
    >
      {[t, h, size].map((of, i) => (
        <Strip key={i} of={of} width={width} />
      ))}
      <TimeAxis end={end} x={x} width={width} height={height} />
      {pieces.slice(0, -1).map((p, i) => (
        <path key={i} class="border" d={through([t, h, size], x(p.to))} />
      ))}
      <path class="curve warm" d={line((p) => p.step.temperature_c, t.y)} />
      {same ? (
        <path class="curve moist" d={line((p) => [p.step.humidity.from, p.step.humidity.to], h.y)} />
      ) : (
        <path class="curve moist" d={curve("sigma_percent", h.y)} />
      )}
      <path class={`curve size ${changed ? "past" : ""}`} d={curve("radius_um", size.y)} />
      <path class={`curve size thin ${changed ? "past" : ""}`} d={curve("thickness_um", size.y, 0.5)} />
      <StripName of={t} words="temperature, °C" />
      <StripName of={h} words={`humidity, ${same ? HUMIDITY[key].unit : "% over ice"}`} />
      <StripName of={size} words="radius (solid) and half the thickness (dashed), µm" />
      <path class="now" d={through([t, h, size], x(now))} />
      {pieces.map((p, i) => (
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
          <EndHandle number={i + 1} piece={p} x={x(p.to)} y={height - AXIS} time={time} onValue={(v) => edit((steps) => dragEnd(steps, i, p.from, p.from + v))} />
        </g>
      ))}
    </svg>
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
            <EndFields name={n} step={s} onChange={(part) => set(i, part)} />
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
