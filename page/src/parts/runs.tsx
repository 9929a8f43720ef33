/** The runs in the folder: thumbnails, what each holds, two side by side, and exports. */
import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { address, ask } from "../api/client";
import type { Run, RunView } from "../api/types";
import { about, attempt, jobs } from "../state/bench";
import { compared, MOST } from "../state/compare";
import { Dialog } from "./dialog";
import { digits, printed, um } from "./format";

const EXPORTS: Record<string, string> = {
  zip: "the whole run, zip",
  csv: "sizes and air over time, CSV",
  netcdf: "labelled arrays, NetCDF",
  stl: "the solid, STL",
  glb: "the solid, GLB",
  recipe: "its recipe",
  sources: "its sources, BibTeX",
};
const at = (name: string, rest = ""): string => `runs/${encodeURIComponent(name)}${rest}`;

export function RunsPage() {
  const runs = useSignal<Run[] | null>(null);
  const picked = useSignal<string[]>([]);
  const opened = useSignal<string | null>(null);
  const finished = jobs.value.filter((j) => j.state === "done").length;
  useEffect(() => {
    void attempt(async () => {
      runs.value = await ask<Run[]>("runs");
    });
  }, [finished]);
  const pick = (name: string, on: boolean): void => {
    // The oldest choice makes room.
    picked.value = on ? [...picked.value.slice(1 - MOST), name] : picked.value.filter((n) => n !== name);
  };
  return (
    <main class="runs" aria-labelledby="runs-title">
      <div class="panel-head">
        <h2 id="runs-title">Runs in {about.value?.folder}</h2>
        <button
          type="button"
          class="primary"
          disabled={picked.value.length < 2}
          onClick={() => (compared.value = { kind: "runs", of: picked.value })}
        >
          Side by side ({picked.value.length} chosen)
        </button>
      </div>
      {runs.value === null && <p>Looking into the folder.</p>}
      {runs.value?.length === 0 && (
        <p>No run here yet. "Grow at full resolution" on the bench makes one, and so does `icewright grow` in this folder.</p>
      )}
      <ul class="cards">
        {runs.value?.map((r) => (
          <li key={r.name}>
            <button type="button" class="card" onClick={() => (opened.value = r.name)} aria-label={`Open ${r.title || r.name}`}>
              {r.thumbnail ? <img src={address(at(r.name, "/thumbnail"))} alt="" loading="lazy" /> : <span class="no-picture">no picture</span>}
              <strong>{r.title || r.name}</strong>
              <small>{r.name}</small>
              <small>
                {r.radius_um !== null ? `${um(r.radius_um)} × ${um(r.thickness_um)}` : ""} {r.habit}
              </small>
              <small>
                {r.time_min !== null ? `${digits(r.time_min)} min; ` : ""}
                {r.state}
              </small>
            </button>
            <label class="choice">
              <input type="checkbox" checked={picked.value.includes(r.name)} onChange={(e) => pick(r.name, e.currentTarget.checked)} aria-label={`Choose ${r.title || r.name}`} />
              <span>choose</span>
            </label>
          </li>
        ))}
      </ul>
      <Dialog title="Run" open={opened.value !== null} wide onClose={() => (opened.value = null)}>
        {opened.value && <OneRun name={opened.value} />}
      </Dialog>
    </main>
  );
}

function OneRun({ name }: { name: string }) {
  const run = useSignal<RunView | null>(null);
  useEffect(() => {
    void attempt(async () => {
      run.value = await ask<RunView>(at(name));
    });
  }, [name]);
  const r = run.value;
  if (!r) return <p>Opening it.</p>;
  return (
    <div class="one-run">
      <h3>{r.title || r.name}</h3>
      {r.words.map((w) => (
        <p key={w}>{printed(w)}</p>
      ))}
      {r.warnings.map((w) => (
        <p class="caution" key={w}>
          {w}
        </p>
      ))}
      <h3>Export</h3>
      <ul class="exports">
        {r.exports.map((what) => (
          <li key={what}>
            <a href={address(at(name, `/export/${what}`))} download>
              {EXPORTS[what] ?? what}
            </a>
          </li>
        ))}
      </ul>
      <div class="pictures">
        {r.pictures.map((file) => (
          <a key={file} href={address(at(name, `/pictures/${encodeURIComponent(file)}`))} target="_blank" rel="noreferrer">
            <img src={address(at(name, `/pictures/${encodeURIComponent(file)}`))} alt={file.replace(/\.png$/, "").replace(/[-_]/g, " ")} loading="lazy" />
          </a>
        ))}
      </div>
    </div>
  );
}
