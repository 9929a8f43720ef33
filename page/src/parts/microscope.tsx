/** Beside the microscope: the next cue in large letters, the real size now, a photograph over the prediction. */
import { useSignal } from "@preact/signals";
import { ask } from "../api/client";
import type { Clock, Photo } from "../api/types";
import { attempt, clock as clockOf, clockDo, here, photos, takeClock, tree } from "../state/bench";
import { sound } from "../state/prefs";
import { wakeSound } from "../state/sound";
import { lookFrom, moving, outlined, VIEW_ALONG, viewer } from "../state/view";
import { Cautions } from "./chamber";
import { Choice } from "./crystal";
import { Field } from "./field";
import { celsius, clock, percent, printed, spoken } from "./format";
import { place as layPhoto, SEEN } from "./photolayer";

export function CuePanel() {
  const c = clockOf.value;
  if (!c) return null;
  const cue = c.cue;
  return (
    <section class="panel cue" aria-labelledby="cue-title">
      <div class="panel-head">
        <h2 id="cue-title">Next</h2>
        {c.running && (
          <span class="aside">
            step {Math.min(c.step + 1, c.steps)} of {c.steps}
          </span>
        )}
      </div>
      <p class={`cue-words ${cue?.waiting ? "waiting" : ""}`} aria-live="assertive">
        {c.done ? "The recipe is done." : !c.running ? "Start the clock when the crystal is in place." : (cue ? printed(cue.words) : "Nothing more to do: watch it grow.")}
      </p>
      {c.running && cue && !c.done && (
        <p class="cue-when" aria-live="off">
          {cue.waiting ? "Press the key when it is done." : cue.in_s === null ? "" : cue.in_s === 0 ? "Now." : `in ${clock(cue.in_s)}`}
        </p>
      )}
      {c.running && cue && (
        <p class="cue-air">
          then {celsius(cue.air.temperature_c)}, {percent(cue.air.sigma_percent)} over ice
        </p>
      )}
      <div class="buttons huge">
        {!c.running && (
          <button type="button" class="primary" onClick={() => void clockDo({ start: true })}>
            Start the clock
          </button>
        )}
        {c.running && cue?.waiting && (
          <button type="button" class="primary" onClick={() => void clockDo({ key: true })}>
            Done, go on (Space)
          </button>
        )}
        {c.running && (
          <>
            <button type="button" aria-pressed={c.held} onClick={() => void clockDo({ hold: !c.held })}>
              {c.held ? "Let the clock go on" : "Hold the clock"}
            </button>
            <button type="button" onClick={() => void clockDo({ start: false })}>
              Stop
            </button>
          </>
        )}
      </div>
      <dl class="small">
        <div>
          <dt>On the clock</dt>
          <dd>{clock(c.elapsed_s)}</dd>
        </div>
        <div>
          <dt>The real crystal should be at</dt>
          <dd>{clock(c.model_s)}</dd>
        </div>
        <div>
          <dt>Corrected by</dt>
          <dd>{Math.abs(c.offset_s) < 0.5 ? "nothing" : spoken(c.offset_s)}</dd>
        </div>
      </dl>
      <label class="choice">
        <input
          type="checkbox"
          checked={sound.value}
          onChange={(e) => {
            sound.value = e.currentTarget.checked;
            if (sound.value) wakeSound();
          }}
        />
        <span>a tone when a cue falls due</span>
      </label>
      <Cautions />
    </section>
  );
}

export function RealPanel() {
  const radius = useSignal<number | null>(null);
  const thickness = useSignal<number | null>(null);
  const prism = useSignal(false);
  const told = useSignal("");
  return (
    <section class="panel real" aria-labelledby="real-title">
      <h2 id="real-title">The real one now</h2>
      <form
        onSubmit={(e) => {
          e.preventDefault();
          if (radius.value === null) return;
          void attempt(async () => {
            const body: Record<string, unknown> = { radius_um: radius.value, as_prism: prism.value };
            if (thickness.value !== null) body.thickness_um = thickness.value;
            const answer = await ask<{ clock: Clock; words: string }>(here("real"), body);
            takeClock(answer.clock);
            told.value = printed(answer.words);
            tree.value = await ask(here("tree"));
          });
        }}
      >
        <Field label="Its radius, centre to tip" unit="µm" value={radius.value} optional onValue={(v) => (radius.value = v)} />
        <Field label="Its thickness, if known" unit="µm" value={thickness.value} optional onValue={(v) => (thickness.value = v)} />
        <label class="choice">
          <input type="checkbox" checked={prism.value} onChange={(e) => (prism.value = e.currentTarget.checked)} />
          <span>begin again from a plain prism of that size</span>
        </label>
        <button type="submit" class="primary">
          Predict from there
        </button>
      </form>
      <p role="status" class="told">
        {told.value}
      </p>
    </section>
  );
}

export function PhotoPanel() {
  const all = photos.value;
  return (
    <section class="panel photo" aria-labelledby="photo-title">
      <h2 id="photo-title">Photograph over the prediction</h2>
      <label class="line">
        <span>Lay a photograph</span>
        <input
          type="file"
          accept="image/png,image/jpeg,image/tiff,image/webp"
          onChange={(e) => {
            const input = e.currentTarget;
            const file = input.files?.[0];
            if (!file) return;
            const form = new FormData();
            form.append("file", file);
            void attempt(async () => {
              const photo = await ask<Photo>(here("photos"), form);
              photos.value = [...photos.value, photo];
              lookFrom(VIEW_ALONG[photo.along]);
              viewer()?.fit();
            }).then(() => (input.value = ""));
          }}
        />
      </label>
      <p class="aside">It stays on this machine. PNG, JPEG, TIFF or WebP, up to 25 MB.</p>
      {all.length > 0 && (
        <>
          <div class="line">
            <span>The pointer moves</span>
            <Choice
              label="The pointer moves"
              all={[
                ["crystal", "crystal"],
                ["photograph", "photograph"],
              ]}
              value={moving.value}
              onChoose={(m) => {
                moving.value = m;
                if (m === "photograph") lookFrom(VIEW_ALONG[all[all.length - 1].along]);
              }}
            />
          </div>
          {moving.value === "photograph" && (
            <p class="aside">Drag it; wheel to scale, Shift and wheel to turn, or two fingers. Keys: arrows, + and −, comma and full stop.</p>
          )}
          <label class="choice">
            <input type="checkbox" checked={outlined.value} onChange={(e) => (outlined.value = e.currentTarget.checked)} />
            <span>draw the predicted outline</span>
          </label>
        </>
      )}
      {all.map((p) => (
        <PhotoKnobs key={p.number} photo={p} />
      ))}
    </section>
  );
}

function PhotoKnobs({ photo }: { photo: Photo }) {
  const place = (part: Partial<Photo>): void => layPhoto(photo.number, part, false);
  const keep = (part: Partial<Photo>): void => layPhoto(photo.number, part);
  const slider = (label: string, key: "rotation_deg" | "opacity", low: number, high: number, step: number, words: string) => (
    <label class="line">
      <span>{label}</span>
      <input
        type="range"
        min={low}
        max={high}
        step={step}
        value={photo[key]}
        aria-valuetext={words}
        onInput={(e) => place({ [key]: Number(e.currentTarget.value) })}
        onChange={(e) => keep({ [key]: Number(e.currentTarget.value) })}
      />
      <span class="value" aria-hidden="true">
        {words}
      </span>
    </label>
  );
  return (
    <div class="photo-knobs" role="group" aria-label={`Photograph ${photo.name}`}>
      <p>
        <strong>{photo.name}</strong>{" "}
        <small>
          {photo.width} × {photo.height}
        </small>
      </p>
      <label class="line">
        <span>Taken</span>
        <select
          value={photo.along}
          onChange={(e) => {
            const along = e.currentTarget.value as Photo["along"];
            keep({ along });
            lookFrom(VIEW_ALONG[along]);
          }}
        >
          {(Object.keys(SEEN) as Photo["along"][]).map((along) => (
            <option key={along} value={along}>
              {SEEN[along]}
            </option>
          ))}
        </select>
      </label>
      {slider("Opacity", "opacity", 0, 1, 0.05, `${Math.round(photo.opacity * 100)} %`)}
      {slider("Rotation", "rotation_deg", -180, 180, 0.5, `${photo.rotation_deg}°`)}
      <Field label="Scale" unit="µm per pixel" places={5} value={photo.um_per_pixel} onValue={(v) => v !== null && keep({ um_per_pixel: v })} />
      <Field label="Its centre to the right by" unit="µm" value={photo.x_um} onValue={(v) => v !== null && keep({ x_um: v })} />
      <Field label="Its centre upward by" unit="µm" value={photo.y_um} onValue={(v) => v !== null && keep({ y_um: v })} />
      <button
        type="button"
        class="small-button"
        onClick={() =>
          void attempt(async () => {
            await ask(here(`photos/${photo.number}`), undefined, "DELETE");
            photos.value = photos.value.filter((p) => p.number !== photo.number);
          })
        }
      >
        Take it away
      </button>
    </div>
  );
}
