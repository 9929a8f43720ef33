/** One knob: a slider, a number field and two large buttons for small steps, all on the same value. */
import { Field } from "./field";
import { minus } from "./format";

interface Props {
  name: string;
  about?: string; // in full, where the name is short
  unit: string;
  value: number;
  low: number;
  high: number;
  step: number;
  places: number;
  tone: "warm" | "moist" | "plain";
  live: boolean; // tell of every move, not only of the last
  onTurn: (value: number) => void;
}

export function Knob({ name, about, unit, value, low, high, step, places, tone, live, onTurn }: Props) {
  const round = (v: number): number => Number(v.toFixed(places));
  const nudge = (by: number): void => onTurn(round(value + by));
  return (
    <div class={`knob ${tone}`} role="group" aria-label={name}>
      <span class="knob-name" aria-hidden="true" title={about}>
        {name}
      </span>
      <Field label={name} unit={unit} value={value} places={places} hideLabel onValue={(v) => v !== null && onTurn(v)} />
      <button type="button" class="nudge" aria-label={`${name} down by ${step} ${unit}`} onClick={() => nudge(-step)}>
        −
      </button>
      <input
        class="slide"
        type="range"
        aria-label={name}
        aria-valuetext={`${minus(value.toFixed(places))} ${unit}`}
        min={Math.min(low, value)}
        max={Math.max(high, value)}
        step={step}
        value={value}
        onInput={(e) => live && onTurn(Number(e.currentTarget.value))}
        onChange={(e) => !live && onTurn(Number(e.currentTarget.value))}
      />
      <button type="button" class="nudge" aria-label={`${name} up by ${step} ${unit}`} onClick={() => nudge(step)}>
        +
      </button>
    </div>
  );
}
