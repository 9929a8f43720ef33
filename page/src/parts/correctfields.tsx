/** Corrections as number fields and buttons: everything that the hand can do on the photograph, and the scale. */
import { useSignal } from "@preact/signals";
import {
  asFound, busy, centreOf, change, changeScale, chosen, crystal, done, end, ends, outlineOf, picture, reach, redo, spot, tool, type Tool, touched, undo, undone,
} from "../state/correct";
import { thinned } from "../state/outline";
import { addPoint, removePoint, step } from "./correctstage";
import { Choice } from "./crystal";
import { Field } from "./field";
import { digits } from "./format";

const TOOLS: [Tool, string][] = [
  ["look", "Look"],
  ["outline", "Outline"],
  ["centre", "Centre"],
  ["scale", "Scale"],
];

export function CorrectTools() {
  const p = picture.value;
  if (!p) return null;
  return (
    <div class="tools">
      <Choice label="The hand" all={TOOLS} value={tool.value} onChoose={(t) => (tool.value = t)} />
      <span class="buttons">
        <button type="button" disabled={!done.value.length} onClick={() => void undo()}>
          Undo
        </button>
        <button type="button" disabled={!undone.value.length} onClick={() => void redo()}>
          Redo
        </button>
      </span>
      {p.crystals.length > 1 && (
        <label class="line inline">
          <span>Crystal</span>
          <select aria-label="Crystal" value={crystal.value?.number} onChange={(e) => ((chosen.value = Number(e.currentTarget.value)), (spot.value = 0))}>
            {p.crystals.map((c) => (
              <option key={c.number} value={c.number}>
                {c.number}
                {c.found ? "" : ", by hand"}
                {c.by_hand.leave_out ? ", left out" : ""}
              </option>
            ))}
          </select>
        </label>
      )}
      <span class="aside" role="status">
        {busy.value > 0 ? "Measuring." : done.value.length ? "Kept." : ""}
      </span>
    </div>
  );
}

export function CorrectFields() {
  const c = crystal.value;
  return (
    <section class="panel corrections" aria-labelledby="corrections-title">
      <h2 id="corrections-title">By hand</h2>
      {tool.value === "look" && <p class="aside">Choose outline, centre or scale. What the program found stays as it is; corrections are kept beside it.</p>}
      {c && tool.value === "outline" && <OutlineFields />}
      {c && tool.value === "centre" && <CentreFields />}
      {tool.value === "scale" && <ScaleFields />}
      {c && (
        <>
          <label class="choice">
            <input type="checkbox" checked={c.by_hand.leave_out} onChange={(e) => change({ leave_out: e.currentTarget.checked }, "")} />
            <span>leave this crystal out of the series</span>
          </label>
          {touched(c.by_hand) && (
            <label class="note">
              <span>Why</span>
              <input
                type="text"
                maxLength={200}
                value={c.by_hand.note}
                key={`${picture.value?.number} ${c.number}`}
                onChange={(e) => change({ note: e.currentTarget.value }, "")}
              />
            </label>
          )}
          <div class="buttons">
            <button type="button" disabled={!touched(c.by_hand)} onClick={asFound}>
              {c.found ? "As found" : "Remove it"}
            </button>
          </div>
        </>
      )}
    </section>
  );
}

function OutlineFields() {
  const c = crystal.value;
  if (!c) return null;
  const loop = outlineOf(c);
  const at = Math.min(spot.value, loop.length - 1);
  const here = loop[at];
  if (!here) return <p class="aside">No outline.</p>;
  const size = Math.max(20, Math.round(Math.max(...loop.map((q) => q[0])) - Math.min(...loop.map((q) => q[0]))));
  const put = (x: number, y: number): void => change({ outline_px: loop.map((q, k) => (k === at ? [x, y] : q)) }, "");
  return (
    <div class="fields">
      <p class="aside">Drag the line. With a reach a whole stretch follows.</p>
      <label class="line">
        <span>Point</span>
        <input type="range" min={1} max={loop.length} value={at + 1} aria-label="Point of the outline" aria-valuetext={`${at + 1} of ${loop.length}, column ${digits(here[0], 4)}, row ${digits(here[1], 4)}`} onInput={(e) => (spot.value = Number(e.currentTarget.value) - 1)} />
        <span class="value">
          {at + 1} of {loop.length}
        </span>
      </label>
      <label class="line">
        <span>Reach</span>
        <input type="range" min={0} max={size} value={reach.value} aria-label="Reach of a drag" aria-valuetext={reach.value ? `${reach.value} pixels to both sides` : "one point alone"} onInput={(e) => (reach.value = Number(e.currentTarget.value))} />
        <span class="value">{reach.value ? `${reach.value} px` : "one point"}</span>
      </label>
      <Field label="Its column" unit="px" value={here[0]} onValue={(v) => v !== null && put(v, here[1])} />
      <Field label="Its row" unit="px" value={here[1]} onValue={(v) => v !== null && put(here[0], v)} />
      <div class="buttons">
        <button type="button" class="small-button" onClick={() => step(-1)}>
          Previous point
        </button>
        <button type="button" class="small-button" onClick={() => step(1)}>
          Next point
        </button>
        <button type="button" class="small-button" onClick={addPoint}>
          Add a point
        </button>
        <button type="button" class="small-button" disabled={loop.length <= 3} onClick={removePoint}>
          Remove it
        </button>
        <button
          type="button"
          class="small-button"
          disabled={loop.length < 8}
          onClick={() => {
            change({ outline_px: thinned(loop, 0.4) }, "");
            spot.value = 0;
          }}
        >
          Fewer points
        </button>
      </div>
      <p class="aside">"Fewer points" moves the line by less than half a pixel.</p>
    </div>
  );
}

function CentreFields() {
  const c = crystal.value;
  const at = c && centreOf(c);
  if (!c) return null;
  if (!at) return <p class="aside">No centre is known.</p>;
  return (
    <div class="fields">
      <p class="aside">Radii, arms and axes are counted from the centre.</p>
      <Field label="Column" unit="px" value={at[0]} onValue={(v) => v !== null && change({ centre_px: [v, at[1]] }, "")} />
      <Field label="Row" unit="px" value={at[1]} onValue={(v) => v !== null && change({ centre_px: [at[0], v] }, "")} />
      <div class="buttons">
        <button type="button" class="small-button" disabled={c.by_hand.centre_px === null} onClick={() => change({ centre_px: null }, "")}>
          Centre as found
        </button>
      </div>
    </div>
  );
}

function ScaleFields() {
  const p = picture.value;
  const x = useSignal<number | null>(null);
  const y = useSignal<number | null>(null);
  const u = useSignal<number | null>(null);
  const distance = useSignal<number | null>(null);
  const uDistance = useSignal<number | null>(null);
  const forAll = useSignal(true);
  if (!p) return null;
  const now = p.scale_now;
  const pair = ends.value;
  const long = pair ? Math.hypot(pair[0][0] - pair[1][0], pair[0][1] - pair[1][1]) : 0;
  const all = forAll.value;
  const put = (): void => {
    const body = { x_um: x.value ?? now.x_um, y_um: y.value ?? (x.value !== null ? x.value * (now.y_um / now.x_um) : now.y_um), u_percent: u.value };
    void changeScale(body, all);
  };
  const put2 = (): void => {
    if (!pair || distance.value === null) return;
    void changeScale({ points_px: pair, distance_um: distance.value, u_distance_um: uDistance.value ?? 0, u_percent: null }, all);
  };
  const place = (k: 0 | 1, axis: 0 | 1, v: number): void => {
    const known: [[number, number], [number, number]] = pair ? [[...pair[0]], [...pair[1]]] : [[p.width * 0.25, p.height / 2], [p.width * 0.75, p.height / 2]];
    known[k][axis] = v;
    end.value = k;
    ends.value = known;
  };
  return (
    <div class="fields">
      <p>
        {digits(now.x_um, 4)} × {digits(now.y_um, 4)} µm in a pixel, known to {digits(now.u_percent, 2)} %
        {p.scale_by_hand ? `; by hand${p.scale_by_hand === "all" ? " for all pictures" : " for this picture"}${p.scale_note ? `: ${p.scale_note}` : ""}` : "; the scale it was measured with"}
      </p>
      <label class="choice">
        <input type="checkbox" checked={all} onChange={(e) => (forAll.value = e.currentTarget.checked)} />
        <span>for all pictures of this folder</span>
      </label>
      <h3>As a number</h3>
      <Field label="Along columns" unit="µm" places={5} value={x.value ?? now.x_um} onValue={(v) => v !== null && v > 0 && (x.value = v)} />
      <Field label="Along rows" unit="µm" places={5} value={y.value ?? (x.value !== null ? x.value * (now.y_um / now.x_um) : now.y_um)} onValue={(v) => v !== null && v > 0 && (y.value = v)} />
      <Field label="Known to" unit="%" optional value={u.value} onValue={(v) => (u.value = v)} />
      <div class="buttons">
        <button type="button" class="small-button" onClick={put}>
          Set this scale
        </button>
      </div>
      <h3>From two points</h3>
      <p class="aside">{pair ? `${digits(long, 4)} pixels apart` : "Set one at each end of a known length, on the photograph or here."}</p>
      {([0, 1] as const).map((k) => (
        <div class="pair-line" key={k}>
          <Field label={`${k ? "Second" : "First"} point, column`} short={k ? "Second, column" : "First, column"} unit="px" places={1} value={pair ? pair[k][0] : null} onValue={(v) => v !== null && place(k, 0, v)} />
          <Field label={`${k ? "Second" : "First"} point, row`} short="row" unit="px" places={1} value={pair ? pair[k][1] : null} onValue={(v) => v !== null && place(k, 1, v)} />
        </div>
      ))}
      <Field label="Their distance" unit="µm" optional value={distance.value} onValue={(v) => (distance.value = v)} />
      <Field label="known to" unit="µm" optional value={uDistance.value} onValue={(v) => (uDistance.value = v)} />
      <div class="buttons">
        <button type="button" class="small-button" disabled={!pair || long < 3 || !distance.value} onClick={put2}>
          Set the scale from them
        </button>
        <button type="button" class="small-button" disabled={!p.scale_by_hand} onClick={() => void changeScale({}, p.scale_by_hand === "all")}>
          Scale as found
        </button>
      </div>
    </div>
  );
}
