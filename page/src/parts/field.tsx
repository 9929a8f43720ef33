/** A number field that takes its value when it is left or Enter is pressed, and says so when it is no number. */
import { useEffect, useState } from "preact/hooks";
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
  const [text, setText] = useState(shown);
  const [typing, setTyping] = useState(false);
  const [wrong, setWrong] = useState(false);
  useEffect(() => {
    if (!typing) setText(shown);
  }, [shown, typing]);

  // What stands in the field itself: a key may come before the last one has been drawn.
  const take = (text: string): void => {
    setTyping(false);
    if (text === shown) return setWrong(false);
    if (optional && !text.trim()) {
      setWrong(false);
      onValue(null);
      return;
    }
    const got = parseNumber(text);
    setWrong(got === null);
    if (got !== null) onValue(got);
    else setText(shown);
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
          value={text}
          onFocus={(e) => {
            setTyping(true);
            e.currentTarget.select();
          }}
          onInput={(e) => setText(e.currentTarget.value)}
          onBlur={(e) => take(e.currentTarget.value)}
          onKeyDown={(e) => {
            if (e.key === "Enter") take(e.currentTarget.value);
            if (e.key === "Escape") {
              setText(shown);
              setWrong(false);
            }
          }}
        />
        {unit && <span class="unit">{unit}</span>}
      </span>
    </label>
  );
}
