/** The first visit: three short hints, one at a time; nothing needs reading first. */
import { useSignal } from "@preact/signals";
import { about } from "../state/bench";
import { hintsSeen } from "../state/prefs";

export function Hints() {
  const at = useSignal(0);
  const hints = about.value?.hints ?? [];
  if (hintsSeen.value || !hints.length) return null;
  const last = at.value === hints.length - 1;
  return (
    <aside class="hints" aria-label="Hints">
      <p>
        <span class="count">
          {at.value + 1} of {hints.length}
        </span>{" "}
        {hints[at.value]}
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
