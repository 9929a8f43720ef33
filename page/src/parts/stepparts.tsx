/** What every table of steps has: how a step ends, and the two ways out of a changed recipe. */
import type { StepEdit } from "../api/types";
import { Field } from "./field";

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
