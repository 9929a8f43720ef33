/** Photographs: folders that were measured, a photograph to be measured, and what was found laid over each picture. */
import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { about, attempt } from "../state/bench";
import { again, busy, fileAddress, folder, folders, go, list, openFolder, picture, redo, send, show, shut, told, undo, writeSeries } from "../state/correct";
import { CorrectFields, CorrectTools } from "./correctfields";
import { CorrectNumbers } from "./correctnumbers";
import { CorrectStage } from "./correctstage";
import { Field } from "./field";
import { spoken } from "./format";
import "../correct.css";

const FILES: Record<string, string> = {
  "growth-series.csv": "series, CSV",
  "growth-series.nc": "series, NetCDF",
  "curves.png": "curves",
  "readings.json": "what was found",
  "corrections.json": "corrections",
};

export function CorrectPage() {
  useEffect(() => {
    void attempt(async () => {
      if (await list()) await again();
    });
  }, []);
  useEffect(() => {
    // On the document: a button that was just used up has lost the focus to nothing.
    document.addEventListener("keydown", takeBack);
    return () => document.removeEventListener("keydown", takeBack);
  }, []);
  return (
    <main class="photographs" aria-labelledby="photographs-title">
      {folder.value ? <OneFolder /> : <AllFolders />}
      <p class="unseen" role="status">
        {told.value}
      </p>
    </main>
  );
}

/** Ctrl+Z, and Ctrl+Y or Ctrl+Shift+Z; in a text field they belong to the text. */
function takeBack(e: KeyboardEvent): void {
  if (!(e.ctrlKey || e.metaKey) || (e.target as HTMLElement | null)?.closest("input[type=text], textarea")) return;
  const key = e.key.toLowerCase();
  if (key !== "z" && key !== "y") return;
  e.preventDefault();
  void (key === "y" || e.shiftKey ? redo() : undo());
}

function AllFolders() {
  return (
    <>
      <h2 id="photographs-title">Photographs in {about.value?.folder}</h2>
      <div class="folders">
        <section class="panel" aria-labelledby="measured-title">
          <h2 id="measured-title">Measured already</h2>
          {folders.value === null && <p>Looking into the folder.</p>}
          {folders.value?.length === 0 && <p>Nothing yet. Send a photograph here, or type `icewright measure PICTURES --scale 0.65 --out NAME` in this folder.</p>}
          <ul>
            {folders.value?.map((f) => (
              <li key={f.name}>
                <button type="button" class="folder" disabled={!!f.error} onClick={() => void openFolder(f.name)}>
                  <strong>{f.name.replaceAll("~", " / ")}</strong>
                  <small>
                    {f.error ||
                      `${f.pictures} ${f.pictures === 1 ? "picture" : "pictures"}${f.corrections ? `, ${f.corrections} ${f.corrections === 1 ? "correction" : "corrections"} by hand` : ""}`}
                  </small>
                </button>
              </li>
            ))}
          </ul>
        </section>
        <SendPhoto />
      </div>
    </>
  );
}

function SendPhoto() {
  const file = useSignal<File | null>(null);
  const scale = useSignal<number | null>(null);
  const u = useSignal<number | null>(null);
  const view = useSignal("auto");
  return (
    <section class="panel" aria-labelledby="send-title">
      <h2 id="send-title">Measure a photograph</h2>
      <form
        class="fields"
        onSubmit={(e) => {
          e.preventDefault();
          if (!file.value || !scale.value) return;
          const form = new FormData();
          form.append("file", file.value);
          form.append("x_um", String(scale.value));
          form.append("u_percent", String(u.value ?? 0));
          form.append("view", view.value);
          void send(form);
        }}
      >
        <input type="file" accept="image/png,image/jpeg,image/tiff,image/webp" aria-label="Photograph to be measured" onChange={(e) => (file.value = e.currentTarget.files?.[0] ?? null)} />
        <Field label="Scale, in a pixel" unit="µm" places={5} optional value={scale.value} onValue={(v) => (scale.value = v)} />
        <Field label="known to" unit="%" optional value={u.value} onValue={(v) => (u.value = v)} />
        <label class="line">
          <span>Seen</span>
          <select value={view.value} onChange={(e) => (view.value = e.currentTarget.value)}>
            <option value="auto">as its shape says</option>
            <option value="plan">from above, along c</option>
            <option value="side">from the side</option>
          </select>
        </label>
        <button type="submit" class="primary" disabled={!file.value || !scale.value || busy.value > 0}>
          {busy.value ? "Measuring." : "Measure it"}
        </button>
        <p class="aside">It gets a folder of its own. If its scale is not known, put 1 and set it from two points afterwards.</p>
      </form>
    </section>
  );
}

function OneFolder() {
  const f = folder.value;
  const p = picture.value;
  if (!f) return null;
  const count = f.pictures.length;
  return (
    <>
      <div class="panel-head">
        <h2 id="photographs-title">{f.name.replaceAll("~", " / ")}</h2>
        <button type="button" class="small-button" onClick={shut}>
          Other folders
        </button>
      </div>
      <div class="correct-place">
        <div class="correct-main">
          <div class="tools">
            <span class="buttons">
              <button type="button" disabled={!p || p.number <= 1} onClick={() => go(-1)}>
                Previous
              </button>
              <button type="button" disabled={!p || p.number >= count} onClick={() => go(1)}>
                Next
              </button>
            </span>
            <label class="line inline">
              <select aria-label="Picture" value={p?.number} onChange={(e) => void attempt(() => show(Number(e.currentTarget.value)))}>
                {f.pictures.map((one) => (
                  <option key={one.number} value={one.number}>
                    {one.number} of {count}: {one.name}
                    {one.time_s !== null ? `, ${spoken(one.time_s)}` : ""}
                    {one.problem ? ", not measured" : one.quality ? `, ${one.quality}` : ", nothing found"}
                    {one.corrected ? ", by hand" : ""}
                  </option>
                ))}
              </select>
            </label>
          </div>
          <CorrectTools />
          <CorrectStage />
          <p class="aside legend-line">
            <span class="key now" /> outline, axes, centre and tips; <span class="key found" /> outline as found, where a hand changed it
          </p>
        </div>
        <div class="correct-side">
          <CorrectNumbers />
          <CorrectFields />
          <section class="panel" aria-labelledby="series-title">
            <h2 id="series-title">The series</h2>
            <p class={f.stale ? "caution" : "aside"}>
              {f.stale
                ? "The files on disk were written under other corrections."
                : f.corrections
                  ? "The files on disk hold these corrections."
                  : "The files on disk are as found."}
            </p>
            <div class="buttons">
              <button type="button" class={f.stale ? "primary" : ""} disabled={busy.value > 0} onClick={() => void writeSeries()}>
                Write it anew
              </button>
            </div>
            <p role="status">{told.value.startsWith("Written") ? told.value : ""}</p>
            <ul class="exports">
              {f.files.map((file) => (
                <li key={file}>
                  <a href={fileAddress(file)} download>
                    {FILES[file] ?? file}
                  </a>
                </li>
              ))}
            </ul>
          </section>
        </div>
      </div>
    </>
  );
}
