/** What every timeline has: how a step ends, by drag and in the table, and the two ways out of a changed recipe. */
import type { StepEdit } from "../api/types";
import type { Piece } from "../state/timeline";
import { Field } from "./field";
import { spoken } from "./format";
import { Handle } from "./strips";

type Ends = Pick<StepEdit, "minutes" | "radius_um" | "wait">;

export function EndFields({ name, step, onChange }: { name: string; step: Ends; onChange: (part: Partial<Ends>) => void }) {
  return (
    <>
      <Field label={`${name}: lasts`} unit="min" value={step.minutes} optional short="lasts" onValue={(v) => onChange({ minutes: v })} />
      <Field label={`${name}: or to a radius of`} unit="µm" value={step.radius_um} optional short="or to radius" onValue={(v) => onChange({ radius_um: v })} />
      <label class="choice">
        <input type="checkbox" checked={step.wait} onChange={(e) => onChange({ wait: e.currentTarget.checked })} />
        <span>wait for a key</span>
      </label>
    </>
  );
}

interface EndHandleProps {
  number: number;
  piece: Pick<Piece, "from" | "to" | "open">;
  x: number;
  y: number;
  time: (px: number) => number;
  onValue: (lasts_s: number) => void;
}

export function EndHandle({ number, piece, x, y, time, onValue }: EndHandleProps) {
  const lasts = piece.to - piece.from;
  return (
    <Handle
      name={`Step ${number}, its end`}
      tone="plain"
      x={x}
      y={y}
      value={lasts}
      low={1}
      high={1209600}
      step={10}
      words={piece.open ? `${spoken(lasts)} so far` : spoken(lasts)}
      toValue={(px) => Math.max(1, Math.round(time(px) - piece.from))}
      onValue={onValue}
    />
  );
}

export function DraftButtons({ onGrow, onLeave }: { onGrow: () => void; onLeave: () => void }) {
  return (
    <span class="draft" role="group" aria-label="Changed recipe">
      <button type="button" class="primary" onClick={onGrow}>
        Grow it so
      </button>
      <button type="button" onClick={onLeave}>
        Leave it as it was
      </button>
    </span>
  );
}
