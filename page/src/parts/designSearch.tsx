/** The search: start it, watch it improve, stop it when it is good enough, carry its recipe to the bench. */
import type { Design } from "../api/designs";
import { carry, draft, going, options, shown, start, takeTarget, tell, view, wrong } from "../state/design";
import { Figures } from "./designFigures";
import { Field } from "./field";
import { digits, percent, spoken, um } from "./format";

export function SearchPanel() {
  const d = shown.value;
  return (
    <section class="panel search" aria-labelledby="search-title">
      <div class="panel-head">
        <h2 id="search-title">{d ? d.title || d.name : "What was asked"}</h2>
        {d && !going.value && (
          <button type="button" class="small-button" onClick={() => (shown.value = null)}>
            Put away
          </button>
        )}
      </div>
      {d ? <Watched d={d} /> : <Asked />}
    </section>
  );
}

function Asked() {
  const v = view.value;
  const o = options.value;
  return (
    <>
      <Figures d={draft.value} target={v?.portrait ?? null} searched={false} best={null} stages={[]} />
      {wrong.value ? (
        <p class="caution" role="alert">
          {wrong.value}
        </p>
      ) : (
        <ul class="asks" aria-label="In words">
          {v?.asks.map((a) => <li key={a}>{a.replace(/\bum\b/g, "µm")}</li>)}
        </ul>
      )}
      {v?.cautions.map((c) => (
        <p class="caution" key={c}>
          {c}
        </p>
      ))}
      <div class="line">
        <button type="button" class="big" disabled={!v || !!wrong.value} aria-describedby="search-aside" onClick={() => void start()}>
          Search for the recipe
        </button>
        <Field label="Budget" unit="trials" places={0} value={o.trials} onValue={(n) => n && (options.value = { ...o, trials: Math.max(10, Math.min(5000, n)) })} />
        <label class="choice">
          <input type="checkbox" checked={o.robust} onChange={(e) => (options.value = { ...o, robust: e.currentTarget.checked })} />
          <span>choose by the worst likely outcome</span>
        </label>
      </div>
      <p class="aside" id="search-aside">
        It grows some hundred small crystals in the background, a few minutes' work, and this page stays live. Stop it whenever the crystal is good enough.
      </p>
    </>
  );
}

function Watched({ d }: { d: Design }) {
  const best = d.best;
  const asked = d.target ? null : d.draft;
  return (
    <>
      <p class="unseen" role="status">
        {d.state} {d.phase}
      </p>
      <p class="search-words">{stateWords(d)}</p>
      {going.value && <progress aria-label="Share of the budget that is spent" max={1} value={d.state === "waiting" || d.fraction >= 1 ? undefined : d.fraction} />}
      {d.error && <p class="caution">{[d.error.message, d.error.got, d.error.wanted, d.error.do].filter(Boolean).join(" ")}</p>}
      <Figures d={asked} target={d.target} searched best={best?.portrait ?? null} stages={best?.stages ?? []} />
      {best && (
        <p class="best-words" role="status">
          {best.portrait.habit}, radius {um(best.portrait.radius_um)}, thickness {um(best.portrait.thickness_um)}, in {digits(best.minutes)} min.{" "}
          <strong>
            Distance {best.distance.toFixed(3)}: {best.distance <= d.level ? "near enough to count as the crystal wanted" : "not yet the crystal wanted"}
          </strong>{" "}
          (at most {d.level.toFixed(3)}).{best.confirmed ? "" : " Grown on coarse voxels so far: its numbers are rough."}
        </p>
      )}
      <div class="buttons">
        {(d.state === "waiting" || d.state === "searching") && (
          <button type="button" class="big" onClick={() => void tell("stop")}>
            Good enough: stop
          </button>
        )}
        {(d.state === "stopped" || d.state === "failed") && (
          <button type="button" onClick={() => void tell("resume")}>
            Go on searching
          </button>
        )}
        {best && d.recipes.length === 0 && (
          <button type="button" class={going.value ? "" : "primary"} onClick={() => void carry(null)}>
            Carry this recipe to the bench
          </button>
        )}
        {d.recipes.map((r, i) => (
          <button type="button" key={r.file} class={i === 0 ? "primary" : ""} onClick={() => void carry(r.file)}>
            {i === 0 ? "Carry the recipe to the bench" : r.file === "settings.toml" ? "Carry it as settings of the apparatus" : `Carry another way (${r.file.replace(".toml", "")})`}
          </button>
        ))}
        {!going.value && d.toml && (
          <button type="button" onClick={() => (takeTarget(), (shown.value = null))}>
            Change the target
          </button>
        )}
      </div>
      {best && <Misses terms={best.terms} />}
      <History d={d} />
      <Reasons title="What cannot be had" all={d.reasons.filter((r) => r.certain)} />
      <Reasons title="What was not reached" all={d.reasons.filter((r) => !r.certain)} />
      <Results d={d} />
    </>
  );
}


function stateWords(d: Design): string {
  if (d.state === "searching") {
    const left = d.eta_s !== null && d.fraction < 1 ? `, at most ${spoken(d.eta_s)} more` : "";
    return `${d.phase || d.words}: ${d.trials} crystals grown${left}.`;
  }
  if (d.state === "failed") return `The search failed: ${d.words}.`;
  // What a person at the command line would type is a button here.
  return `${(d.words || d.state).replace(/,? ?--resume goes on/, "")}.`.replace(/^./, (c) => c.toUpperCase());
}

function Reasons({ title, all }: { title: string; all: Design["reasons"] }) {
  if (!all.length) return null;
  return (
    <>
      <h3>{title}</h3>
      {all.map((r) => (
        <p class="caution" key={r.what}>
          <strong>{r.what.replace(/_um\b/g, ", µm,").replace(/_/g, " ")}</strong>: {r.why}.
        </p>
      ))}
    </>
  );
}

/** What it misses, worst first; what is met is not listed. */
function Misses({ terms }: { terms: Record<string, number> }) {
  const bad = Object.entries(terms)
    .filter(([, v]) => v > 0.005)
    .sort((a, b) => b[1] - a[1])
    .slice(0, 6);
  if (!bad.length) return <p class="aside">Everything that was asked for is met.</p>;
  return (
    <p class="aside">
      Off by: {bad.map(([k, v]) => `${k.replace(/_um/g, "").replace(/_/g, " ")} ${(100 * v).toFixed(v < 0.1 ? 1 : 0)} %`).join(", ")}.
    </p>
  );
}

/** The best distance over the crystals grown; steps down as it gets better. */
function History({ d }: { d: Design }) {
  const h = d.history;
  if (h.length < 2) return null;
  const [w, high] = [300, 70];
  const last = Math.max(d.trials, h[h.length - 1][0], 1);
  const top = Math.max(...h.map(([, v]) => v), d.level) * 1.05;
  const y = (v: number): number => high - (v / top) * high;
  const line = h.map(([n, v], i) => `${i ? "H" : "M"}${((n / last) * w).toFixed(1)}${i ? `V${y(v).toFixed(1)}` : ` ${y(v).toFixed(1)}`}`).join("") + `H${w}`;
  return (
    <figure class="history">
      <svg viewBox={`0 0 ${w} ${high}`} role="img" aria-label={`Distance of the best crystal, from ${h[0][1].toFixed(2)} to ${h[h.length - 1][1].toFixed(3)}`}>
        <line x1="0" x2={w} y1={y(d.level)} y2={y(d.level)} />
        <path d={line} />
      </svg>
      <figcaption class="aside">Distance of the best against the work done; below the line it counts as the crystal wanted.</figcaption>
    </figure>
  );
}

function Results({ d }: { d: Design }) {
  return (
    <>
      {d.recipes.length > 0 && (
        <>
          <h3>Recipes in the folder {d.name}</h3>
          <ul class="plain">
            {d.recipes.map((r) => (
              <li key={r.file}>
                <strong>{r.file}</strong>: {r.words}. {r.habit}, {um(r.radius_um)} × {um(r.thickness_um)}, {digits(r.minutes)} min
                {r.distance !== null ? `; distance ${r.distance.toFixed(3)}` : ""}
              </li>
            ))}
          </ul>
        </>
      )}
      {d.spread && (
        <>
          <h3>How sure</h3>
          <p>
            Of {d.spread.draws} regrowths with {d.spread.words} off, {percent(100 * d.spread.same, 0)} count as the same crystal. Step {d.spread.step_most_at_risk}{" "}
            is most at risk.
          </p>
          <dl class="small">
            {(["radius_um", "thickness_um", "minutes", "solidity"] as const)
              .filter((k) => d.spread?.numbers[k])
              .map((k) => {
                const [low, , high2] = (d.spread as NonNullable<Design["spread"]>).numbers[k];
                return (
                  <div key={k}>
                    <dt>{k.replace("_um", ", µm")}</dt>
                    <dd>
                      {digits(low)} to {digits(high2)}
                    </dd>
                  </div>
                );
              })}
          </dl>
          <p class="aside">The middle {percent(100 * d.spread.level, 0)} of outcomes.</p>
        </>
      )}
      {d.notes.length > 0 && (
        <details>
          <summary>Notes ({d.notes.length})</summary>
          <ul>
            {d.notes.map((n) => (
              <li key={n}>{n}</li>
            ))}
          </ul>
        </details>
      )}
    </>
  );
}
