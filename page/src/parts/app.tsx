/** The page: a head with the three places, the crystal in the middle, the panels around it. */
import type { Theme } from "../crystal/viewer";
import { failure, linked, notes, state, title } from "../state/bench";
import { KEYS } from "../state/keys";
import { hintsSeen, theme } from "../state/prefs";
import { type Place, place, showKeys } from "../state/view";
import { AirPanel } from "./air";
import { CompareDialog } from "./compare";
import { DesignPage } from "./design";
import { CorrectPage } from "./correct";
import { Choice, CrystalPanel } from "./crystal";
import { Dialog } from "./dialog";
import { printed } from "./format";
import { Hints } from "./hints";
import { CuePanel, PhotoPanel, RealPanel } from "./microscope";
import { PathsPanel } from "./paths";
import { RecipePanel } from "./recipe";
import { RunsPage } from "./runs";
import { TimePanel } from "./time";
import { TimelinePanel } from "./timeline";

const PLACES: [Place, string][] = [
  ["bench", "Bench"],
  ["microscope", "Beside the microscope"],
  ["photographs", "Photographs"],
  ["runs", "Runs"],
  ["design", "Design"],
];
const THEMES: [Theme, string][] = [
  ["dark", "Dark"],
  ["light", "Light"],
  ["red", "Red"],
];

export function App() {
  const where = place.value;
  return (
    <>
      <RedGlass />
      <Head />
      <Told />
      {where === "runs" ? (
        <RunsPage />
      ) : where === "design" ? (
        <DesignPage />
      ) : where === "photographs" ? (
        <CorrectPage />
      ) : !state.value ? (
        <main>
          <p class="wait">Finding the bench.</p>
        </main>
      ) : (
        <main class={`place ${where}`}>
          <h1 class="unseen">{title.value || "Crystal"}</h1>
          <div class="left">{where === "bench" ? <AirPanel /> : <CuePanel />}</div>
          <div class="middle">
            <CrystalPanel hints={<Hints />} />
            <TimePanel />
          </div>
          <div class="right">
            {where === "bench" ? (
              <>
                <PathsPanel />
                <RecipePanel />
              </>
            ) : (
              <>
                <RealPanel />
                <PhotoPanel />
              </>
            )}
          </div>
          {where === "bench" && (
            <div class="foot">
              <TimelinePanel />
            </div>
          )}
        </main>
      )}
      <CompareDialog />
      <Dialog title="Keys" open={showKeys.value} onClose={() => (showKeys.value = false)}>
        <dl class="keys">
          {KEYS.map(([key, words]) => (
            <div key={key}>
              <dt>
                <kbd>{key}</kbd>
              </dt>
              <dd>{words}</dd>
            </div>
          ))}
        </dl>
      </Dialog>
    </>
  );
}

function Head() {
  return (
    <header>
      <a class="skip" href="#page" onClick={(e) => (e.preventDefault(), document.querySelector<HTMLElement>(".crystal-view")?.focus())}>
        To the crystal
      </a>
      <span class="mark">
        <svg viewBox="0 0 32 32" width="22" height="22" aria-hidden="true">
          <path d="M16 3 27.3 9.5v13L16 29 4.7 22.5v-13Z" fill="none" stroke="currentColor" stroke-width="2" />
          <path d="M16 10 21.2 13v6L16 22l-5.2-3v-6Z" fill="currentColor" />
        </svg>
        Icewright
      </span>
      <nav aria-label="Places">
        {PLACES.map(([key, words]) => (
          <button key={key} type="button" class="tab" aria-current={place.value === key ? "page" : undefined} onClick={() => (place.value = key)}>
            {words}
          </button>
        ))}
      </nav>
      <span class="head-tools">
        {!linked.value && state.value && <span class="unlinked">no link to the bench; trying again</span>}
        <Choice label="Theme" all={THEMES} value={theme.value} onChoose={(t) => (theme.value = t)} />
        <button type="button" class="small-button" onClick={() => (showKeys.value = true)}>
          Keys
        </button>
        {hintsSeen.value && (
          <button type="button" class="small-button" onClick={() => ((hintsSeen.value = false), (place.value = "bench"))}>
            Hints
          </button>
        )}
      </span>
    </header>
  );
}

/** For photographs and pictures in the red theme: their lightness, in red alone. */
function RedGlass() {
  return (
    <svg width="0" height="0" class="unseen" aria-hidden="true">
      <filter id="red-glass" color-interpolation-filters="sRGB">
        <feColorMatrix type="matrix" values="0.3 0.6 0.1 0 0  0 0 0 0 0  0 0 0 0 0  0 0 0 1 0" />
      </filter>
    </svg>
  );
}

/** What went wrong, and what the bench had to say; both stay until they are put away. */
function Told() {
  const warned = notes.value.filter((n) => n.level === "warning");
  const last = warned[warned.length - 1];
  return (
    <>
      {failure.value && (
        <div class="told-bar wrong" role="alert">
          <p>{failure.value}</p>
          <button type="button" class="small-button" onClick={() => (failure.value = null)}>
            Put away
          </button>
        </div>
      )}
      {last && (
        <div class="told-bar" role="status">
          <p>{printed(last.text)}</p>
          <button type="button" class="small-button" onClick={() => (notes.value = notes.value.filter((n) => n !== last))}>
            Put away
          </button>
        </div>
      )}
    </>
  );
}
