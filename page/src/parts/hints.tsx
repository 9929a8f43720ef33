/** The first visit: three short hints, one at a time; nothing needs reading first. */
import { useSignal } from "@preact/signals";
import { hintsSeen } from "../state/prefs";

export const HINTS = [
  "This crystal is growing now. Turn the temperature or the supersaturation and watch what it makes of it.",
  "Drag the crystal to turn it; plan and side view are keys 1 and 2. The scale bar is always true.",
  "Drag the moment back and turn a knob: a new path begins there, and the old one stays to compare with.",
];

export function Hints() {
  const at = useSignal(0);
  if (hintsSeen.value) return null;
  const last = at.value === HINTS.length - 1;
  return (
    <aside class="hints" aria-label="Hints">
      <p>
        <span class="count">
          {at.value + 1} of {HINTS.length}
        </span>{" "}
        {HINTS[at.value]}
      </p>
      <div class="buttons">
        <button type="button" class="primary" onClick={() => (last ? (hintsSeen.value = true) : (at.value += 1))}>
          {last ? "Good" : "Next"}
        </button>
        {!last && (
          <button type="button" onClick={() => (hintsSeen.value = true)}>
            Enough
          </button>
        )}
      </div>
    </aside>
  );
}
