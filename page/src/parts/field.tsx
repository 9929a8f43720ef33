/** A number field that takes its value when it is left or Enter is pressed, and says so when it is no number. */
import { useState } from "preact/hooks";
import { minus, parseNumber } from "./format";

interface Props {
  label: string;
  value: number | null;
  places?: number;
  unit?: string;
  optional?: boolean;
  disabled?: boolean;
  hideLabel?: boolean;
  short?: string; // what is shown, where the full name is for those who do not see the rest
  onValue: (value: number | null) => void;
}

export function Field({ label, value, places = 2, unit, optional, disabled, hideLabel, short, onValue }: Props) {
  const shown = value === null || !Number.isFinite(value) ? "" : minus(String(Number(value.toFixed(places))));
  // What is being typed; null: nothing. Not a copy of the value that an effect keeps up to date: on a busy machine
  // the effect came after the first keys and wiped them out.
  const [draft, setDraft] = useState<string | null>(null);
  const [wrong, setWrong] = useState(false);

  // What stands in the field itself: a key may come before the last one has been drawn.
  const take = (text: string): void => {
    setDraft(null);
    if (text === shown) return setWrong(false);
    if (optional && !text.trim()) {
      setWrong(false);
      onValue(null);
      return;
    }
    const got = parseNumber(text);
    setWrong(got === null);
    if (got !== null) onValue(got);
  };
  const name = unit ? `${label}, ${unit}` : label;
  return (
    <label class="field">
      <span class={hideLabel ? "unseen" : ""}>{short ?? (hideLabel ? name : label)}</span>
      <span class="field-box">
        <input
          type="text"
          inputMode="decimal"
          autocomplete="off"
          aria-label={name}
          aria-invalid={wrong}
          disabled={disabled}
          value={draft ?? shown}
          onFocus={(e) => {
            setDraft(shown);
            e.currentTarget.select();
          }}
          onInput={(e) => setDraft(e.currentTarget.value)}
          onBlur={(e) => take(e.currentTarget.value)}
          onKeyDown={(e) => {
            if (e.key === "Enter") take(e.currentTarget.value);
            if (e.key === "Escape") {
              setDraft(null);
              setWrong(false);
            }
          }}
        />
        {unit && <span class="unit">{unit}</span>}
      </span>
    </label>
  );
}
