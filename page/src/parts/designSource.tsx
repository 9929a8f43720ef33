/** The other ways to say it: an outline that is dropped, a run's crystal, the target as text; and designs of earlier days. */
import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { ask } from "../api/client";
import type { Run } from "../api/types";
import { attempt } from "../state/bench";
import { designs, draft, dropOutline, edit, open, shown, takeText, text, words, wrong } from "../state/design";
import { Field } from "./field";

export function OutlineOrRun() {
  const d = draft.value;
  const over = useSignal(false);
  const told = useSignal<string[]>([]);
  const runs = useSignal<Run[]>([]);
  useEffect(() => {
    void attempt(async () => {
      runs.value = await ask<Run[]>("runs");
    });
  }, []);
  const take = (file: File | undefined): void => {
    if (file) void dropOutline(file).then((got) => got && (told.value = got.notes));
  };
  return (
    <details open={!!d.outline || !!d.crystal}>
      <summary>An outline, or a crystal grown before</summary>
      <label
        class={`drop ${over.value ? "over" : ""}`}
        onDragOver={(e) => (e.preventDefault(), (over.value = true))}
        onDragLeave={() => (over.value = false)}
        onDrop={(e) => {
          e.preventDefault();
          over.value = false;
          take(e.dataTransfer?.files[0]);
        }}
      >
        <span>Drop a drawing (SVG) or a picture (PNG, JPEG) of its outline here, or choose a file. It takes the place of the stages.</span>
        <input
          type="file"
          accept={(words.value?.outlines ?? [".svg", ".png"]).join(",")}
          onChange={(e) => {
            take(e.currentTarget.files?.[0]);
            e.currentTarget.value = "";
          }}
        />
      </label>
      {told.value.map((n) => (
        <p class="caution" key={n}>
          {n}
        </p>
      ))}
      {d.outline && (
        <div class="line">
          <code>{d.outline.file}</code>
          <Field
            label="Its radius"
            unit="µm"
            value={d.outline.radius_um}
            onValue={(radius_um) => radius_um && d.outline && edit({ outline: { ...d.outline, radius_um } })}
          />
          <button type="button" class="small-button" onClick={() => ((told.value = []), edit({ outline: null }))}>
            Leave it out
          </button>
        </div>
      )}
      {(runs.value.length > 0 || d.crystal) && (
        <label class="line">
          <span>Grow this one again</span>
          <select
            value={d.crystal?.run ?? ""}
            onChange={(e) => {
              const run = e.currentTarget.value;
              edit(run ? { crystal: { run, size: 1, arms: 1, thickness: 1 }, outline: null, stages: [] } : { crystal: null });
            }}
          >
            <option value="">none</option>
            {runs.value.map((r) => (
              <option key={r.name} value={r.name}>
                {r.title || r.name}
              </option>
            ))}
          </select>
        </label>
      )}
      {d.crystal && (
        <div class="line">
          {(["size", "arms", "thickness"] as const).map((k) => (
            <Field key={k} label={`${k} times`} value={d.crystal?.[k] ?? 1} onValue={(v) => v && d.crystal && edit({ crystal: { ...d.crystal, [k]: v } })} />
          ))}
        </div>
      )}
    </details>
  );
}

export function AsText() {
  return (
    <details>
      <summary>As text</summary>
      <form
        onSubmit={(e) => {
          e.preventDefault();
          void takeText();
        }}
      >
        <textarea aria-label="Target" rows={16} spellcheck={false} value={text.value} onInput={(e) => (text.value = e.currentTarget.value)} />
        {wrong.value && <p class="caution">{wrong.value}</p>}
        <div class="buttons">
          <button type="submit">Take this text</button>
          <label class="line">
            <span>or a file</span>
            <input
              type="file"
              accept=".toml"
              onChange={(e) => {
                const file = e.currentTarget.files?.[0];
                if (file) void file.text().then((got) => ((text.value = got), takeText()));
              }}
            />
          </label>
        </div>
        <p class="aside">
          A length is one value, or <code>[least, most]</code>; sizes in micrometres. <code>[held]</code>, <code>[air]</code> and <code>[seed]</code> are those of a
          recipe. Forms: {words.value?.habits.map((h) => h.word).join(", ")}.
        </p>
      </form>
    </details>
  );
}

export function EarlierDesigns() {
  const all = designs.value;
  if (!all.length) return null;
  return (
    <section class="panel" aria-labelledby="designs-title">
      <h2 id="designs-title">Designs in the folder</h2>
      <ul class="plain designs">
        {all.map((d) => (
          <li key={d.name}>
            <button type="button" aria-current={shown.value?.name === d.name ? "true" : undefined} onClick={() => void open(d.name)}>
              {d.title || d.name} <small>{d.name}</small>
            </button>
            <small>
              {d.state}
              {d.distance !== null ? `, distance ${d.distance.toFixed(3)}` : ""}
            </small>
          </li>
        ))}
      </ul>
    </section>
  );
}
