/** The recipe: save, open, read as text, and grow at full resolution. */
import { useSignal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import { ask } from "../api/client";
import type { Job, RecipeBrief, RecipeView } from "../api/types";
import { about, attempt, beginWith, here, jobs, notes, putToml, title } from "../state/bench";
import { Dialog } from "./dialog";
import { digits, printed, spoken, um } from "./format";

export function RecipePanel() {
  const open = useSignal<"" | "save" | "open" | "text" | "grow">("");
  const close = (): void => {
    open.value = "";
  };
  return (
    <section class="panel recipe" aria-labelledby="recipe-title">
      <h2 id="recipe-title">Recipe</h2>
      <p class="recipe-name">{title.value || "untitled"}</p>
      <div class="buttons">
        <button type="button" onClick={() => (open.value = "save")}>
          Save…
        </button>
        <button type="button" onClick={() => (open.value = "open")}>
          Open…
        </button>
        <button type="button" onClick={() => (open.value = "text")}>
          As text…
        </button>
        <button type="button" class="primary" onClick={() => (open.value = "grow")}>
          Grow at full resolution…
        </button>
      </div>
      <Jobs />
      <Notes />
      <Dialog title="Save the recipe" open={open.value === "save"} onClose={close}>
        <Save onDone={close} />
      </Dialog>
      <Dialog title="Open a recipe" open={open.value === "open"} onClose={close}>
        <Open onDone={close} />
      </Dialog>
      <Dialog title="The recipe as text" open={open.value === "text"} wide onClose={close}>
        <AsText onDone={close} />
      </Dialog>
      <Dialog title="Grow at full resolution" open={open.value === "grow"} onClose={close}>
        <Grow onDone={close} />
      </Dialog>
    </section>
  );
}

const plain = (text: string): string => text.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "") || "crystal";

function Save({ onDone }: { onDone: () => void }) {
  const name = useSignal(`${plain(title.value)}.toml`);
  const replace = useSignal(false);
  return (
    <form
      onSubmit={(e) => {
        e.preventDefault();
        void attempt(async () => {
          await ask(here("recipe/save"), { name: name.value, replace: replace.value });
          onDone();
        });
      }}
    >
      <p class="aside">Into {about.value?.folder}. Everything done on this path so far is written, each turn with its time.</p>
      <label class="line">
        <span>File name</span>
        <input type="text" value={name.value} onInput={(e) => (name.value = e.currentTarget.value)} />
      </label>
      <label class="choice">
        <input type="checkbox" checked={replace.value} onChange={(e) => (replace.value = e.currentTarget.checked)} />
        <span>replace a file of that name</span>
      </label>
      <button type="submit" class="primary">
        Save
      </button>
    </form>
  );
}

function Open({ onDone }: { onDone: () => void }) {
  const list = useSignal<RecipeBrief[] | null>(null);
  useEffect(() => {
    void attempt(async () => {
      list.value = await ask<RecipeBrief[]>("recipes");
    });
  }, []);
  const pick = (what: Parameters<typeof beginWith>[0]): void => {
    void beginWith(what).then((well) => well && onDone());
  };
  return (
    <>
      <p class="aside">A new session begins; this one stays on the disk. {about.value?.data_note}</p>
      <h3>In {about.value?.folder}</h3>
      {list.value?.length === 0 && <p>No recipe here yet.</p>}
      <ul class="plain">
        {list.value?.map((r) => (
          <li key={r.name}>
            <button type="button" onClick={() => pick({ recipe: r.name })}>
              {r.name} <small>{r.title}</small>
            </button>
          </li>
        ))}
      </ul>
      <h3>Examples</h3>
      <ul class="plain">
        {about.value?.examples.map((name) => (
          <li key={name}>
            <button type="button" onClick={() => pick({ example: name })}>
              {name}
            </button>
          </li>
        ))}
      </ul>
      <label class="line">
        <span>Or a file from this computer</span>
        <input
          type="file"
          accept=".toml"
          onChange={(e) => {
            const file = e.currentTarget.files?.[0];
            if (file) void file.text().then((toml) => pick({ toml }));
          }}
        />
      </label>
    </>
  );
}

function AsText({ onDone }: { onDone: () => void }) {
  const got = useSignal<RecipeView | null>(null);
  const text = useSignal("");
  useEffect(() => {
    void attempt(async () => {
      got.value = await ask<RecipeView>(here("recipe"));
      text.value = got.value.toml;
    });
  }, []);
  if (!got.value) return <p>Reading it.</p>;
  return (
    <form
      onSubmit={(e) => {
        e.preventDefault();
        void putToml(text.value).then((well) => well && onDone());
      }}
    >
      {got.value.warnings.map((w) => (
        <p class="caution" key={w}>
          {printed(w)}
        </p>
      ))}
      {got.value.from_memory.length > 0 && (
        <details>
          <summary>Rests on values from memory ({got.value.from_memory.length})</summary>
          <ul>
            {got.value.from_memory.map((w) => (
              <li key={w}>{printed(w)}</li>
            ))}
          </ul>
        </details>
      )}
      <textarea aria-label="Recipe" rows={22} spellcheck={false} value={text.value} onInput={(e) => (text.value = e.currentTarget.value)} />
      <div class="buttons">
        <button type="submit" class="primary" disabled={text.value === got.value.toml}>
          Grow it so
        </button>
        <button type="button" onClick={() => void navigator.clipboard?.writeText(text.value)}>
          Copy
        </button>
      </div>
    </form>
  );
}

function Grow({ onDone }: { onDone: () => void }) {
  const name = useSignal(plain(title.value));
  const preset = useSignal("standard");
  return (
    <form
      onSubmit={(e) => {
        e.preventDefault();
        void attempt(async () => {
          const job = await ask<Job>(here("grow"), { name: name.value, preset: preset.value });
          jobs.value = [...jobs.value.filter((j) => j.number !== job.number), job];
          onDone();
        });
      }}
    >
      <p class="aside">The recipe of this path, from its seed, into a run folder. It grows in the background; this page stays live.</p>
      <label class="line">
        <span>Name of the run</span>
        <input type="text" value={name.value} onInput={(e) => (name.value = e.currentTarget.value)} />
      </label>
      <label class="line">
        <span>Resolution</span>
        <select value={preset.value} onChange={(e) => (preset.value = e.currentTarget.value)}>
          <option value="preview">preview: about 100 voxels in the radius</option>
          <option value="standard">standard: about 200</option>
          <option value="fine">fine: about 400, takes hours</option>
        </select>
      </label>
      <button type="submit" class="primary">
        Grow
      </button>
    </form>
  );
}

function Notes() {
  const all = notes.value;
  if (!all.length) return null;
  return (
    <details>
      <summary>Notes ({all.length})</summary>
      <ul>
        {all.map((n, i) => (
          <li key={i}>{printed(n.text)}</li>
        ))}
      </ul>
    </details>
  );
}

function Jobs() {
  useEffect(() => {
    void attempt(async () => {
      jobs.value = await ask<Job[]>("jobs");
    });
  }, []);
  const ask2 = (n: number, what: "stop" | "resume"): void => {
    void attempt(async () => {
      const job = await ask<Job>(`jobs/${n}/${what}`, {});
      jobs.value = [...jobs.value.filter((j) => j.number !== job.number), job];
    });
  };
  const all = [...jobs.value].sort((a, b) => b.number - a.number).slice(0, 6);
  if (!all.length) return null;
  return (
    <ul class="jobs" aria-label="Runs growing in the background">
      {all.map((j) => (
        <li key={j.number}>
          <strong>{j.name}</strong> <small>{j.error ? j.error.message : j.status || j.state}</small>
          {(j.state === "growing" || j.state === "waiting" || j.state === "drawing") && (
            <>
              <progress aria-label={`Progress of ${j.name}`} max={1} value={j.fraction ?? undefined} />
              <small>
                {Math.round((j.fraction ?? 0) * 100)} %{j.eta_s !== null ? `, about ${spoken(j.eta_s)} left` : ""}; {um(j.radius_um)}
                {j.time_min !== null ? ` at ${digits(j.time_min)} min` : ""}
              </small>
              <button type="button" class="small-button" onClick={() => ask2(j.number, "stop")}>
                Stop
              </button>
            </>
          )}
          {(j.state === "stopped" || j.state === "failed") && (
            <button type="button" class="small-button" onClick={() => ask2(j.number, "resume")}>
              Go on
            </button>
          )}
        </li>
      ))}
    </ul>
  );
}
