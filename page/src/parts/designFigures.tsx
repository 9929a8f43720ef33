/** The crystal that was asked for and the best one so far, side by side, in plan and from the side, all at one scale. */
import { useEffect, useId, useRef } from "preact/hooks";
import type { Portrait, TargetDraft } from "../api/designs";
import { pixels, rim, type Rgb } from "../state/portrait";
import { theme } from "../state/prefs";
import { type Loop, type Sketch, sketches } from "../state/sketch";
import { um } from "./format";

const SMALL = 150; // css pixels across a figure, where there are several
const LARGE = 210;

const path = (loops: Loop[], closed = true): string => loops.map((l) => `M${l.map(([x, y]) => `${x.toFixed(2)} ${(-y).toFixed(2)}`).join("L")}${closed ? "Z" : ""}`).join("");

export function sketchesOf(d: TargetDraft): Sketch[] {
  const mean = (s: [number, number] | null): number | null => (s ? (s[0] + s[1]) / 2 : null);
  return sketches(d.stages.map((s) => ({ habit: s.habit, radius: mean(s.radius_um), thickness: mean(s.thickness_um), branches: s.side_branches_at_um })));
}

interface Shown {
  wanted: Sketch | Portrait | null;
  best: Portrait | null;
  words: string;
}

/** One column a stage, or one for a crystal that is shown as a whole. */
interface Props {
  d: TargetDraft | null; // rows of which sketches are made
  target: Portrait | null; // a crystal that is shown as a whole
  searched: boolean; // whether there is a best one to stand beside
  best: Portrait | null;
  stages: (Portrait | null)[];
}

export function Figures({ d, target, searched, best, stages }: Props) {
  const drawn = d ? sketchesOf(d) : [];
  const columns: Shown[] = drawn.map((wanted, i) => ({
    wanted,
    best: i === drawn.length - 1 ? best : (stages[i] ?? null),
    words: `${i + 1}. ${d?.stages[i].habit}`,
  }));
  if (target || !columns.length) columns.push({ wanted: target, best, words: target ? "as shown" : "at the end" });
  const reach = (s: Sketch | Portrait | null): number =>
    s === null ? 0 : "plan" in s && "radius" in s ? Math.max(s.radius, s.thickness / 2) : Math.max((s as Portrait).radius_um, (s as Portrait).section ? (s as Portrait).thickness_um / 2 : 0);
  const most = Math.max(1, ...columns.flatMap((c) => [reach(c.wanted), reach(c.best)]));
  const half = 1.08 * most;
  const size = columns.length === 1 ? LARGE : SMALL;
  const high = (s: Sketch | Portrait | null): number => (s === null ? 0 : "radius_um" in s ? (s.section ? s.thickness_um : 0) : s.thickness);
  const tall = sideHalf(Math.max(...columns.flatMap((c) => [high(c.wanted), high(c.best)])), half);
  return (
    <div class="figures">
      <div
        class={`figure-columns ${columns.length === 1 ? "one" : ""}`}
        role="group"
        aria-label="What is wanted beside what was found, at one scale"
        tabIndex={columns.length === 1 ? undefined : 0}
      >
        {columns.map((c, i) => (
          <div class="figure-column" key={i}>
            <figure>
              <figcaption>Wanted: {c.words}</figcaption>
              <Wanted what={c.wanted} half={half} tall={tall} size={size} />
            </figure>
            {searched && (
              <figure class="best">
                <figcaption>{i < columns.length - 1 ? `Best so far, after ${i + 1}` : "Best so far"}</figcaption>
                <Found what={c.best} over={c.wanted} half={half} tall={tall} size={size} />
              </figure>
            )}
          </div>
        ))}
      </div>
      <p class="aside">
        Each figure is {um(2 * half)} across. Above: along the axis; below: from the side{best ? ", the found one cut through its axis, the tint being the share of ice round it" : ""}.
        {drawn.length > 0 && " A sketch shows sizes and forms as asked for; it is no prediction."}
        {drawn.some((s) => s.guessed) && " Where no size was asked, a usual one stands in."}
      </p>
    </div>
  );
}

interface Frame {
  half: number; // micrometres from the middle to the edge
  tall: number; // the same of the side views, as high as the thickest of them
  size: number; // css pixels across
}

function Wanted({ what, half, tall, size }: Frame & { what: Sketch | Portrait | null }) {
  if (what === null) return <p class="no-figure">numbers only</p>;
  if ("radius_um" in what) return <Drawn p={what} half={half} tall={tall} size={size} name="The crystal that is wanted" />;
  const box = `${-half} ${-half} ${2 * half} ${2 * half}`;
  return (
    <>
      <svg class="sketch" viewBox={box} width={size} height={size} role="img" aria-label={`Sketch in plan, radius ${um(what.radius)}`}>
        <Union d={path(what.plan)} half={half} />
      </svg>
      <svg class="sketch" viewBox={`${-half} ${-tall} ${2 * half} ${2 * tall}`} width={size} height={(size * tall) / half} role="img" aria-label={`Sketch from the side, thickness ${um(what.thickness)}`}>
        <path d={path(what.side)} />
        <path class="hollow" d={path(what.hollow, false)} />
      </svg>
    </>
  );
}

/** Loops that overlap, drawn as one: their lines show only where they are outermost. */
function Union({ d, half }: { d: string; half: number }) {
  const id = useId();
  return (
    <>
      <mask id={id} maskUnits="userSpaceOnUse" x={-half} y={-half} width={2 * half} height={2 * half}>
        <rect x={-half} y={-half} width={2 * half} height={2 * half} fill="#fff" />
        <path d={d} class="cut-out" />
      </mask>
      <path d={d} class="inner" />
      <path d={d} class="line" mask={`url(#${id})`} />
    </>
  );
}

/** The side view is as high as the crystal, and never a sliver. */
const sideHalf = (thickness: number, half: number): number => Math.min(half, Math.max(0.62 * thickness, 0.12 * half));

function Found({ what, over, half, tall, size }: Frame & { what: Portrait | null; over: Sketch | Portrait | null }) {
  if (!what) return <p class="no-figure">none yet</p>;
  const lines: Loop[] = !over ? [] : "radius_um" in over ? [rim(over)] : over.plan;
  return <Drawn p={what} half={half} tall={tall} size={size} over={lines} name="The best crystal so far" />;
}

function Drawn({ p, half, tall, size, over, name }: Frame & { p: Portrait; over?: Loop[]; name: string }) {
  const plan = useRef<HTMLCanvasElement>(null);
  const side = useRef<HTMLCanvasElement>(null);
  const shade = theme.value;
  useEffect(() => {
    for (const [ref, which, high] of [
      [plan, "plan", half],
      [side, "side", tall],
    ] as const) {
      const canvas = ref.current;
      const context = canvas?.getContext("2d");
      if (!canvas || !context) continue;
      const dense = Math.min(2, window.devicePixelRatio || 1);
      canvas.width = Math.round(size * dense);
      canvas.height = Math.round((size * dense * high) / half);
      context.putImageData(pixels(p, which, canvas.width, canvas.height, (2 * half) / canvas.width, ink(canvas)), 0, 0);
    }
  }, [p, half, tall, size, shade]);
  return (
    <>
      <span class="drawn">
        <canvas ref={plan} style={{ width: `${size}px`, height: `${size}px` }} role="img" aria-label={`${name} in plan, radius ${um(p.radius_um)}`} />
        {over && over.length > 0 && (
          <svg class="over" viewBox={`${-half} ${-half} ${2 * half} ${2 * half}`} width={size} height={size} aria-hidden="true">
            <Union d={path(over)} half={half} />
          </svg>
        )}
      </span>
      {p.section && (
        <canvas
          ref={side}
          style={{ width: `${size}px`, height: `${(size * tall) / half}px` }}
          role="img"
          aria-label={`${name} from the side, thickness ${um(p.thickness_um)}`}
        />
      )}
    </>
  );
}

/** The theme's colour for sizes, as numbers. */
function ink(canvas: HTMLCanvasElement): Rgb {
  const told = getComputedStyle(canvas).color.match(/\d+(\.\d+)?/g)?.map(Number) ?? [200, 220, 240];
  return [told[0], told[1], told[2]];
}
