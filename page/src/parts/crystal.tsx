/** The crystal, the ways to look at it, its true scale and its sizes. */
import { useSignal, useSignalEffect } from "@preact/signals";
import type { ComponentChildren } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { ask } from "../api/client";
import type { Section } from "../api/types";
import { type ColourBy, gradient } from "../crystal/colours";
import { scaleBar } from "../crystal/scalebar";
import { type CutKind, type Surface, type View, Viewer } from "../crystal/viewer";
import { air, frame, here, photos, state } from "../state/bench";
import { quality, theme } from "../state/prefs";
import { colour, cut, cutAt, lookFrom, place, setCut, sight, useViewer, view, viewer } from "../state/view";
import { digits, mass, rate, spoken, um } from "./format";
import { FromMemory } from "./mark";
import { PhotoLayer } from "./photolayer";

const VIEWS: [View, string][] = [
  ["plan", "Plan"],
  ["side", "Side"],
  ["tilted", "Tilted"],
];
const COLOURS: [ColourBy, string][] = [
  ["ice", "Like ice"],
  ["thickness", "Thickness"],
  ["age", "Age"],
];
const CUTS: [CutKind, string][] = [
  ["none", "Whole"],
  ["upright", "Cut upright"],
  ["level", "Cut level"],
];
const SECTION_EVERY_MS = 1500;

export function CrystalPanel({ hints }: { hints?: ComponentChildren }) {
  const host = useRef<HTMLDivElement>(null);
  const scale = useSignal(1);
  const legend = useSignal({ low: 0, high: 1, rings: 0 });

  useEffect(() => {
    if (!host.current) return;
    const made = new Viewer(host.current, quality);
    made.onScale = (s) => (scale.value = s);
    made.onSight = (s) => (sight.value = s);
    made.onLegend = (l) => (legend.value = l);
    scale.value = made.pixelsPerUm;
    made.setTheme(theme.value);
    made.look(view.value);
    if (frame.value) made.setSurface(frame.value);
    useViewer(made);
    return () => {
      useViewer(null);
      made.dispose();
    };
  }, []);
  useSignalEffect(() => {
    const got = frame.value;
    if (got) viewer()?.setSurface(got);
  });
  useSignalEffect(() => viewer()?.setTheme(theme.value));
  useSignalEffect(() => viewer()?.setColour(colour.value));
  useSignalEffect(() => viewer()?.setCut(cut.value, cutAt.value));
  useSection();

  const is = state.value;
  return (
    <section class="panel crystal" aria-labelledby="crystal-title">
      <h2 id="crystal-title" class="unseen">
        Crystal
      </h2>
      <div class="tools">
        <Choice label="View" all={VIEWS} value={view.value} onChoose={lookFrom} />
        <Choice label="Colour" all={COLOURS} value={colour.value} onChoose={(c) => (colour.value = c)} />
        <Choice label="Cut" all={CUTS} value={cut.value} onChoose={setCut} />
      </div>
      {cut.value !== "none" && <CutSlider />}
      <div class="stage-box">
        <div class="stage">
          <div
            class="crystal-view"
            ref={host}
            role="group"
            tabIndex={0}
            aria-label={describe()}
            data-meshes={frame.value?.frame ?? 0}
          />
          {place.value === "microscope" && photos.value.length > 0 && <PhotoLayer />}
          <ScaleBar pixelsPerUm={scale.value} />
          <span class="buttons zoom">
            <button type="button" class="small-button" aria-label="Farther" onClick={() => viewer()?.zoom(1 / 1.25)}>
              −
            </button>
            <button type="button" class="small-button" aria-label="Nearer" onClick={() => viewer()?.zoom(1.25)}>
              +
            </button>
            <button type="button" class="small-button" onClick={() => viewer()?.fit()}>
              All of it
            </button>
          </span>
          {colour.value !== "ice" && (
            <Legend by={colour.value} high={legend.value.high} rings={legend.value.rings} />
          )}
          {cut.value !== "none" && colour.value === "ice" && <p class="cut-words">Cut face: coloured by age, rings a round time apart</p>}
          {is?.outgrown && <p class="stage-note">Larger than the preview was sized for: still right, but coarser and slower. Size it anew under "Pressure, holding, seed, kinetics".</p>}
        </div>
        <Readings />
        {hints}
      </div>
    </section>
  );
}

function describe(): string {
  const s = state.value;
  if (!s) return "Crystal";
  const word = s.habit ? `${s.habit}, ` : "";
  return `Crystal: ${word}radius ${digits(s.sizes.radius_um)} micrometres, thickness ${digits(s.sizes.thickness_um)} micrometres. Arrow keys turn it.`;
}

/** The true face of the cut from the engine; asked anew while the crystal grows, but not with every mesh. */
function useSection(): void {
  const asked = useRef({ at: -Infinity, busy: false, key: "", timer: 0 });
  useEffect(() => () => window.clearTimeout(asked.current.timer), []);
  useSignalEffect(() => {
    const kind = cut.value;
    const at = cutAt.value;
    const memory = asked.current;
    window.clearTimeout(memory.timer);
    if (kind === "none" || !frame.value) return;
    const key = `${kind} ${at}`;
    const fetchIt = async (): Promise<void> => {
      if (memory.busy) {
        memory.timer = window.setTimeout(() => void fetchIt(), 100);
        return;
      }
      memory.busy = true;
      memory.at = performance.now();
      memory.key = key;
      const query = kind === "upright" ? `plane=axial&azimuth_deg=${at}` : `plane=basal&height_um=${at}`;
      try {
        const section = await ask<Section>(here(`section?${query}`));
        if (cut.peek() === kind && cutAt.peek() === at) viewer()?.setSection(section);
      } catch {
        // The worker may just be starting: the cut stays plain until the next mesh.
      } finally {
        memory.busy = false;
      }
    };
    const wait = key === memory.key ? memory.at + SECTION_EVERY_MS - performance.now() : 0;
    memory.timer = window.setTimeout(() => void fetchIt(), Math.max(0, wait));
  });
}

function CutSlider() {
  const upright = cut.value === "upright";
  const top = Math.max(1, viewer()?.top ?? 1);
  return (
    <label class="line cut-line">
      <span>{upright ? "Turn the cut" : "Height of the cut"}</span>
      <input
        type="range"
        aria-valuetext={upright ? `${cutAt.value} degrees` : um(cutAt.value)}
        min={upright ? 0 : -top}
        max={upright ? 180 : top}
        step={upright ? 5 : top / 40}
        value={cutAt.value}
        onInput={(e) => (cutAt.value = Number(e.currentTarget.value))}
      />
      <span class="value" aria-hidden="true">{upright ? `${cutAt.value}°` : um(cutAt.value)}</span>
    </label>
  );
}

interface ChoiceProps<T extends string> {
  label: string;
  all: [T, string][];
  value: T;
  onChoose: (value: T) => void;
}
export function Choice<T extends string>({ label, all, value, onChoose }: ChoiceProps<T>) {
  return (
    <fieldset class="choices">
      <legend class="unseen">{label}</legend>
      {all.map(([key, words]) => (
        <label class="choice" key={key}>
          <input type="radio" name={label} value={key} checked={key === value} onChange={() => onChoose(key)} />
          <span>{words}</span>
        </label>
      ))}
    </fieldset>
  );
}

export function ScaleBar({ pixelsPerUm }: { pixelsPerUm: number }) {
  const bar = scaleBar(pixelsPerUm, 150);
  return (
    <div class="scale-bar" role="img" aria-label={`Scale bar: ${bar.words}`} data-um={bar.um} data-px={bar.px}>
      <span aria-hidden="true">{bar.words}</span>
      <i style={{ width: `${bar.px}px` }} />
    </div>
  );
}

export function Legend({ by, high, rings }: { by: ColourBy; high: number; rings: number }) {
  const end = by === "thickness" ? um(high) : spoken(high);
  const what = by === "thickness" ? "thickness along c" : "froze at";
  return (
    <div class="legend" role="img" aria-label={`Colour: ${what}, from 0 to ${end}`}>
      <span>{what}</span>
      <span class="legend-bar">
        <span>0</span>
        <i style={{ backgroundImage: gradient(theme.value === "red") }} />
        <span>{end}</span>
      </span>
      {rings > 0 && <span>a ring every {spoken(rings)}</span>}
    </div>
  );
}

function Readings() {
  const s = state.value;
  if (!s) return null;
  const perS = (perMin: number | null): number | null => (perMin === null ? null : perMin / 60);
  const memory = air.value?.favours.from_memory;
  return (
    <div class="readings">
      <dl>
        <div>
          <dt>Radius</dt>
          <dd>
            {um(s.sizes.radius_um)} <small>{rate(perS(s.rates.radius_um_min))}</small>
          </dd>
        </div>
        <div>
          <dt>Thickness</dt>
          <dd>
            {um(s.sizes.thickness_um)} <small>{rate(perS(s.rates.thickness_um_min))}</small>
          </dd>
        </div>
        <div>
          <dt>Mass</dt>
          <dd>
            {mass(s.sizes.mass_ug)} <small>{s.rates.mass_ug_min === null ? "–" : `${mass(s.rates.mass_ug_min)}/min`}</small>
          </dd>
        </div>
        <div>
          <dt>Thickness / width</dt>
          <dd>{digits(s.sizes.aspect_ratio)}</dd>
        </div>
        <div>
          <dt>Habit</dt>
          <dd>
            {s.habit || "–"} {memory && <FromMemory marks={air.value?.favours.marks ?? []} />}
          </dd>
        </div>
      </dl>
    </div>
  );
}

/** A second view of a stored crystal, for two side by side. */
interface StillProps {
  surface: Surface | null;
  label: string;
  reach?: number; // micrometres to make room for, so that two views share a scale
  onViewer?: (v: Viewer | null) => void;
}
export function StillView({ surface, label, reach, onViewer }: StillProps) {
  const host = useRef<HTMLDivElement>(null);
  const made = useRef<Viewer | null>(null);
  const scale = useSignal(1);
  useEffect(() => {
    if (!host.current) return;
    const v = new Viewer(host.current, quality);
    v.onScale = (s) => (scale.value = s);
    v.setTheme(theme.value);
    made.current = v;
    onViewer?.(v);
    if (surface) v.setSurface(surface);
    return () => {
      onViewer?.(null);
      v.dispose();
    };
  }, []);
  useEffect(() => {
    if (surface) made.current?.setSurface(surface);
    if (reach) made.current?.fitTo(reach);
  }, [surface, reach]);
  useSignalEffect(() => made.current?.setTheme(theme.value));
  return (
    <div class="stage still">
      <div class="crystal-view" ref={host} role="group" tabIndex={0} aria-label={label} />
      <ScaleBar pixelsPerUm={scale.value} />
    </div>
  );
}
