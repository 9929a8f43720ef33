/** The air: its knobs, where it stands against water saturation, and what it favours. */
import { useSignal } from "@preact/signals";
import { useEffect, useRef, useState } from "preact/hooks";
import type { HumidityKey, Held, Way } from "../api/types";
import { about, air, changeSetup, lookAgain, mergeTurns, setup, state, turn, type TurnBody } from "../state/bench";
import { Cautions, ChamberGap, SettingKnobs } from "./chamber";
import { Field } from "./field";
import { celsius, digits, percent, printed, spoken } from "./format";
import { Knob } from "./knob";
import { FromMemory } from "./mark";

interface Measure {
  words: string;
  unit: string;
  low: number;
  high: number;
  step: number;
  places: number;
}
const MEASURES: Record<HumidityKey, Measure> = {
  sigma_percent: { words: "percent over ice", unit: "%", low: 0, high: 30, step: 0.1, places: 2 },
  water_fraction: { words: "fraction of water saturation", unit: "of 1", low: 0.8, high: 1.1, step: 0.002, places: 4 },
  excess_g_m3: { words: "vapour above ice saturation", unit: "g/m³", low: 0, high: 0.6, step: 0.002, places: 4 },
};
const HOLDS: Record<Way, string> = {
  free: "Free in the air",
  plate: "Lying on a flat plate",
  pedestal: "Raised on a pedestal",
  needle: "On the end of an ice needle",
};
const HOLD_SHOWN_MS = 1500; // how long a knob keeps what was set before it follows the air again

export function AirPanel() {
  const [key, setKey] = useState<HumidityKey>("sigma_percent");
  const ramp = useSignal(false);
  const minutes = useSignal(1);
  const [set, setSet] = useState<TurnBody>({});
  const timer = useRef(0);
  useEffect(() => () => window.clearTimeout(timer.current), []);

  const now = air.value;
  const is = state.value;
  if (!now || !is) return null;
  const m = MEASURES[key];
  const ramping = (is.ramp_left_s ?? 0) > 0.5;
  const apparatus = setup.value?.apparatus;

  const apply = (body: TurnBody): void => {
    setSet((old) => mergeTurns(old, body));
    window.clearTimeout(timer.current);
    timer.current = window.setTimeout(() => setSet({}), HOLD_SHOWN_MS);
    turn({ ...body, over_s: ramp.value ? minutes.value * 60 : 0 });
  };
  const shownT = set.temperature_c ?? now.temperature_c;
  const shownH = set[key] ?? now[key];

  return (
    <section class="panel air" aria-labelledby="air-title">
      <h2 id="air-title">Air around the crystal</h2>
      {apparatus ? (
        <SettingKnobs apparatus={apparatus} chamber={is.chamber} set={set.settings} live={!ramp.value} onTurn={apply} />
      ) : (
        <>
      <Knob
        name="Temperature"
        unit="°C"
        value={shownT}
        low={-35}
        high={0}
        step={0.1}
        places={2}
        tone="warm"
        live={!ramp.value}
        onTurn={(v) => apply({ temperature_c: v })}
      />
      <Knob
        name="Supersaturation"
        unit={m.unit}
        value={shownH}
        low={m.low}
        high={m.high}
        step={m.step}
        places={m.places}
        tone="moist"
        live={!ramp.value}
        onTurn={(v) => apply({ [key]: v })}
      />
      <label class="line">
        <span>Humidity as</span>
        <select value={key} onChange={(e) => setKey(e.currentTarget.value as HumidityKey)}>
          {Object.entries(MEASURES).map(([k, v]) => (
            <option key={k} value={k}>
              {v.words}
            </option>
          ))}
        </select>
      </label>
        </>
      )}
      <fieldset class="line turnway">
        <legend class="unseen">How the knobs turn</legend>
        <label class="choice">
          <input type="radio" name="turnway" checked={!ramp.value} onChange={() => (ramp.value = false)} />
          <span>at once</span>
        </label>
        <label class="choice">
          <input type="radio" name="turnway" checked={ramp.value} onChange={() => (ramp.value = true)} />
          <span>ramp over</span>
        </label>
        <Field
          label="Length of a ramp"
          unit="min"
          hideLabel
          disabled={!ramp.value}
          value={minutes.value}
          onValue={(v) => v !== null && v > 0 && (minutes.value = v)}
        />
      </fieldset>
      {apparatus && is.chamber && <ChamberGap chamber={is.chamber} now={now} />}
      {ramping && !apparatus && (
        <p class="actual">
          In the chamber now: {celsius(is.temperature_c)}, {percent(is.sigma_percent)} over ice; the ramp takes another{" "}
          {spoken(is.ramp_left_s)}.
        </p>
      )}
      <Standing />
      <Favours />
      <SetupPanel />
    </section>
  );
}

/** Where the air stands between ice saturation and water saturation, and beyond. */
function Standing() {
  const a = air.value;
  if (!a) return null;
  const span = a.sigma_water_percent > 0 ? a.sigma_water_percent : 1;
  const share = Math.min(Math.max(a.sigma_percent / span, -0.15), 1.35);
  const at = `${((share + 0.15) / 1.5) * 100}%`;
  const words = a.above_water
    ? `${percent(-a.margin_percent)} above water saturation: fog droplets form`
    : a.sigma_percent < 0
      ? "below ice saturation: the crystal would shrink; it is held unchanged here"
      : `${percent(a.margin_percent)} below water saturation`;
  return (
    <div class="standing">
      <div class="scale" role="img" aria-label={`The air is ${words}`}>
        <span class="zone dry" />
        <span class="zone ice" />
        <span class="zone fog" />
        <span class={`needle ${a.above_water ? "over" : ""}`} style={{ left: at }} />
      </div>
      <div class="scale-words" aria-hidden="true">
        <span style={{ left: "10%" }}>ice</span>
        <span style={{ left: "76.7%" }}>water {percent(a.sigma_water_percent, 1)}</span>
      </div>
      <p class={a.above_water || a.sigma_percent < 0 ? "caution" : ""}>{words}</p>
      <dl class="small">
        <div>
          <dt>of water saturation</dt>
          <dd>{a.water_fraction.toFixed(3)}</dd>
        </div>
        <div>
          <dt>frost point</dt>
          <dd>{celsius(a.frost_point_c)}</dd>
        </div>
        <div>
          <dt>vapour in excess</dt>
          <dd>{digits(a.excess_g_m3)} g/m³</dd>
        </div>
      </dl>
    </div>
  );
}

function Favours() {
  const f = air.value?.favours;
  if (!f) return null;
  return (
    <div class="favours" aria-live="off">
      <p class="favour">
        {printed(f.words)} {f.from_memory && <FromMemory marks={f.marks} />}
      </p>
      <details>
        <summary>Why</summary>
        <ul>
          {f.why.map((w) => (
            <li key={w}>{printed(w)}</li>
          ))}
          {f.marks.map((w) => (
            <li key={w} class="marked">
              {printed(w)}
            </li>
          ))}
        </ul>
      </details>
    </div>
  );
}

/** What a whole path has one of: changing it starts from the seed again. */
function SetupPanel() {
  const s = setup.value;
  const replay = useSignal(true);
  if (!s) return null;
  const change = (body: Parameters<typeof changeSetup>[0]): void => {
    void changeSetup({ ...body, replay: replay.value });
  };
  const hold = (way: Way): void => {
    const held: Held = {
      way,
      height_um: way === "pedestal" ? (s.held.height_um ?? 50) : null,
      stalk_radius_um: way === "pedestal" || way === "needle" ? (s.held.stalk_radius_um ?? Math.min(2, s.seed.radius_um ?? 2)) : null,
    };
    change({ held });
  };
  return (
    <>
      <Cautions />
      <details class="setup" onToggle={(e) => e.currentTarget.open && void lookAgain()}>
        <summary>Pressure, holding, seed, kinetics</summary>
        <p class="aside">One of each for a whole path. A change starts a new path from the seed.</p>
        <label class="choice">
          <input type="checkbox" checked={replay.value} onChange={(e) => (replay.value = e.currentTarget.checked)} />
          <span>Start from the seed, and then do all of it again</span>
        </label>
        <label class="line">
          <span>Knobs</span>
          <select value={s.apparatus?.name ?? ""} onChange={(e) => change({ apparatus: e.currentTarget.value })}>
            <option value="">temperature and humidity</option>
            {[...new Set([...(s.apparatus ? [s.apparatus.name] : []), ...(about.value?.apparatus ?? [])])].map((name) => (
              <option key={name} value={name}>
                settings in {name}
              </option>
            ))}
          </select>
        </label>
        {about.value?.apparatus.length === 0 && <p class="aside">An apparatus file in the folder would be offered here.</p>}
        <Field label="Pressure" unit="hPa" value={s.pressure_hpa} onValue={(v) => v !== null && change({ pressure_hpa: v })} />
        <label class="line">
          <span>Held</span>
          <select value={s.held.way} onChange={(e) => hold(e.currentTarget.value as Way)}>
            {(about.value?.ways ?? Object.keys(HOLDS)).map((way) => (
              <option key={way} value={way}>
                {HOLDS[way as Way] ?? way}
              </option>
            ))}
          </select>
        </label>
        {s.held.height_um !== null && (
          <Field
            label="Height of the pedestal"
            unit="µm"
            value={s.held.height_um}
            onValue={(v) => v !== null && change({ held: { ...s.held, height_um: v } })}
          />
        )}
        {s.held.stalk_radius_um !== null && (
          <Field
            label="Radius of the stalk"
            unit="µm"
            value={s.held.stalk_radius_um}
            onValue={(v) => v !== null && change({ held: { ...s.held, stalk_radius_um: v } })}
          />
        )}
        <Field
          label="Seed, centre to corner"
          unit="µm"
          value={s.seed.radius_um}
          onValue={(v) => v !== null && change({ seed: { ...s.seed, radius_um: v } })}
        />
        <Field
          label="Seed, thickness"
          unit="µm"
          value={s.seed.thickness_um}
          onValue={(v) => v !== null && change({ seed: { ...s.seed, thickness_um: v } })}
        />
        <label class="line">
          <span>Attachment kinetics</span>
          <select value={s.kinetics} onChange={(e) => change({ kinetics: e.currentTarget.value })}>
            {[...new Set([s.kinetics, ...(about.value?.kinetics ?? [])])].map((name) => (
              <option key={name} value={name}>
                {name}
              </option>
            ))}
          </select>
        </label>
        <Field
          label="Preview sized for a radius of"
          unit="µm"
          value={s.final_radius_um}
          onValue={(v) => v !== null && change({ final_radius_um: v })}
        />
        <p class="aside">Voxels of {digits(s.voxel_um)} µm: a larger preview is a coarser one.</p>
      </details>
    </>
  );
}
