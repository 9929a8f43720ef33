/** Time: pause, speed, step, go back to any moment. */
import { useSignal } from "@preact/signals";
import { endOf, go, pace, setup, state, stepOn } from "../state/bench";
import { jump } from "../state/keys";
import { clock, digits, printed, spoken } from "./format";

const SPEEDS: [number | null, string][] = [
  [1, "real time"],
  [5, "5 times"],
  [20, "20 times"],
  [60, "60 times"],
  [300, "300 times"],
  [null, "as fast as it computes"],
];

/** States that the buttons and the clock show well enough by themselves. */
const QUIET = new Set(["growing", "paused", "outgrown"]);

export function TimePanel() {
  const dragged = useSignal<number | null>(null);
  const s = state.value;
  if (!s) return null;
  const end = endOf.value;
  const shown = dragged.value ?? s.time_s;
  const behind = s.time_s < end - 0.5;
  return (
    <section class="panel time" aria-labelledby="time-title">
      <h2 id="time-title" class="unseen">
        Time
      </h2>
      <div class="transport">
        <button type="button" class="big" aria-pressed={!s.paused} onClick={() => void pace({ paused: !s.paused })}>
          {s.paused ? "Grow" : "Pause"}
        </button>
        <button type="button" onClick={() => jump(-30)}>
          30 s back
        </button>
        <button type="button" onClick={() => void stepOn({ steps: 1 })}>
          One step
        </button>
        <button type="button" onClick={() => void stepOn({ seconds: 10 })}>
          10 s on
        </button>
        <label>
          <span class="unseen">Speed</span>
          <select
            value={String(s.speed)}
            onChange={(e) => {
              const text = e.currentTarget.value;
              void pace({ speed: text === "null" ? null : Number(text) });
            }}
          >
            {SPEEDS.some(([v]) => v === s.speed) ? null : <option value={String(s.speed)}>{digits(s.speed ?? 0)} times</option>}
            {SPEEDS.map(([v, words]) => (
              <option key={words} value={String(v)}>
                {words}
              </option>
            ))}
          </select>
        </label>
      </div>
      <label class="line moment">
        <span class="unseen">Moment</span>
        <strong class="clock" aria-hidden="true">
          {clock(shown)}
        </strong>
        <input
          type="range"
          aria-valuetext={`${spoken(shown)} of ${spoken(end)}`}
          min={0}
          max={Math.max(end, 1)}
          step="any" // any other would stop short of the present end
          value={shown}
          onInput={(e) => (dragged.value = Number(e.currentTarget.value))}
          onChange={(e) => {
            const to = Number(e.currentTarget.value);
            void go({ time_s: Math.min(to, end) }).then(() => (dragged.value = null));
          }}
        />
        <span class="value" aria-hidden="true">
          of {clock(end)}
          <small class="pace">{s.paused ? "paused" : s.worker === "growing" && s.pace !== null ? `${digits(s.pace, 2)} × real time` : "\u00a0"}</small>
        </span>
      </label>
      {!QUIET.has(s.worker) && <p class="aside">{printed(s.status)}</p>}
      {behind && (s.paused || !s.replaying) && <p class="aside">Back at {spoken(s.time_s)}. Turn a knob here and a new path begins; the old one stays.</p>}
      {s.replaying && !s.paused && <p class="aside">Doing again what was done, to {spoken(end)}.</p>}
      {s.worker === "outgrown" && (
        <p class="caution">
          The crystal has outgrown its preview.{" "}
          <button type="button" onClick={() => void pace({ beyond: true, paused: false })}>
            Go on all the same
          </button>{" "}
          <a href="#preview" onClick={(e) => (e.preventDefault(), document.querySelector<HTMLElement>(".setup summary")?.click())}>
            or size it anew ({digits(setup.value?.final_radius_um ?? 0)} µm now)
          </a>
        </p>
      )}
    </section>
  );
}
