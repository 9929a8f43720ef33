/** The photograph with what was measured laid over it; what the hand does here, the number fields beside it do too. */
import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import type { ByHand, CrystalView, PictureView } from "../api/types";
import { add, centreOf, change, chosen, crystal, draft, end, ends, folder, go, imageAddress, outlineOf, picture, reach, spot, told, tool } from "../state/correct";
import { added, dragged, nearestPlace, nearestPoint, path, type Pt, removed } from "../state/outline";

interface Sight {
  x: number;
  y: number;
  w: number;
  h: number;
}
type Grip = { kind: "look"; from: Pt } | { kind: "held"; from: Pt; start: ByHand; loop: Pt[]; centre: Pt; points: [Pt, Pt] | null };

const NEAR = 18; // screen pixels within which something is taken hold of
const WORDS = {
  look: "arrow keys move the view",
  outline: "arrow keys move the point at hand, brackets go to the next or last point, Insert and Delete add and remove one",
  centre: "arrow keys move the centre",
  scale: "arrow keys move the end at hand, brackets go to the other end",
};

/** Where the view was in the picture before: the next of a series is looked at in the same place. */
let last: { folder: string | undefined; whole: Sight; sight: Sight } | null = null;

export function CorrectStage() {
  const p = picture.value;
  return p ? <Stage key={p.number} p={p} /> : null;
}

function Stage({ p }: { p: PictureView }) {
  const svg = useRef<SVGSVGElement>(null);
  const whole: Sight = { x: -0.5, y: -0.5, w: Math.max(1, p.width), h: Math.max(1, p.height) };
  const name = folder.value?.name;
  const like = last && last.folder === name && last.whole.w === whole.w && last.whole.h === whole.h;
  const sight = useSignal<Sight>(like && last ? last.sight : whole);
  useEffect(() => () => void (last = { folder: name, whole, sight: sight.value }), []);
  const box = useSignal<[number, number]>([600, 400]);
  const hands = useRef(new Map<number, Pt>());
  const grip = useRef<Grip | null>(null);
  useEffect(() => {
    if (!svg.current) return;
    const watch = new ResizeObserver(([e]) => (box.value = [e.contentRect.width || 1, e.contentRect.height || 1]));
    watch.observe(svg.current);
    return () => watch.disconnect();
  }, []);
  const s = sight.value;
  const unit = Math.max(s.w / box.value[0], s.h / box.value[1]); // picture pixels in one of the screen
  const c = crystal.value;

  // Of the view as it is now, which may be newer than the one last drawn.
  const place = (e: { clientX: number; clientY: number }): Pt => {
    const b = svg.current?.getBoundingClientRect();
    if (!b) return [0, 0];
    const s = sight.value;
    const unit = Math.max(s.w / b.width, s.h / b.height);
    return [s.x + s.w / 2 + (e.clientX - b.left - b.width / 2) * unit, s.y + s.h / 2 + (e.clientY - b.top - b.height / 2) * unit];
  };
  const zoom = (by: number, around?: Pt): void => {
    const s = sight.value;
    const about = around ?? [s.x + s.w / 2, s.y + s.h / 2];
    const f = Math.min(Math.max(by, s.w / (4 * whole.w)), s.w / 8);
    sight.value = { x: about[0] - (about[0] - s.x) / f, y: about[1] - (about[1] - s.y) / f, w: s.w / f, h: s.h / f };
  };
  const pan = (dx: number, dy: number): void => {
    sight.value = { ...sight.value, x: sight.value.x + dx, y: sight.value.y + dy };
  };

  const take = (at: Pt): Grip => {
    const held = c && { kind: "held" as const, from: at, start: c.by_hand, loop: outlineOf(c), centre: centreOf(c) ?? at, points: ends.value };
    const near = NEAR * unit;
    if (tool.value === "scale") {
      const known = ends.value;
      if (!known) {
        ends.value = [at, at];
        end.value = 1;
      }
      else {
        const [a, b] = known.map((q) => Math.hypot(q[0] - at[0], q[1] - at[1]));
        const blank = known[0][0] === known[1][0] && known[0][1] === known[1][1];
        end.value = blank || b <= a ? 1 : 0;
        if (Math.min(a, b) > near) ends.value = end.value ? [known[0], at] : [at, known[1]];
      }
      return { kind: "held", from: at, start: c?.by_hand as ByHand, loop: [], centre: at, points: ends.value };
    }
    if (held && tool.value === "centre") {
      const far = Math.hypot(held.centre[0] - at[0], held.centre[1] - at[1]) > near;
      return far ? { ...held, centre: at } : held;
    }
    if (held && tool.value === "outline" && held.loop.length) {
      if (nearestPlace(held.loop, at).distance < near) {
        spot.value = nearestPoint(held.loop, at).index;
        return held;
      }
    }
    if (tool.value === "look" && p.crystals.length > 1) {
      const by = p.crystals.map((o) => ({ o, d: nearestPlace(outlineOf(o), at).distance })).sort((a, b) => a.d - b.d)[0];
      if (by.d < near) chosen.value = by.o.number;
    }
    return { kind: "look", from: at };
  };
  const follow = (g: Grip, at: Pt): void => {
    if (g.kind === "look") return pan(g.from[0] - at[0], g.from[1] - at[1]);
    const by: Pt = [at[0] - g.from[0], at[1] - g.from[1]];
    if (tool.value === "scale" && g.points) {
      const q = g.points[end.value];
      const moved: Pt = [q[0] + by[0], q[1] + by[1]];
      ends.value = end.value ? [g.points[0], moved] : [moved, g.points[1]];
    } else if (tool.value === "centre") draft({ centre_px: [g.centre[0] + by[0], g.centre[1] + by[1]] });
    else if (tool.value === "outline") draft({ outline_px: dragged(g.loop, spot.value, by, reach.value) });
  };
  const letGo = (g: Grip, at: Pt): void => {
    if (g.kind === "look" || tool.value === "scale") return;
    const still = Math.hypot(at[0] - g.from[0], at[1] - g.from[1]) < 0.5 * unit;
    if (tool.value === "centre") change({ centre_px: round([g.centre[0] + at[0] - g.from[0], g.centre[1] + at[1] - g.from[1]]) }, "", g.start);
    else if (tool.value === "outline" && !still) change({ outline_px: crystal.value?.by_hand.outline_px ?? null }, "", g.start);
  };

  const nudge = (dx: number, dy: number): void => {
    if (tool.value === "look" || (!c && tool.value !== "scale")) return pan(dx * 0.04 * s.w, dy * 0.04 * s.w);
    if (tool.value === "scale") return nudgeEnd(dx, dy, p);
    if (!c) return;
    if (tool.value === "centre") {
      const at = centreOf(c);
      if (at) change({ centre_px: round([at[0] + dx, at[1] + dy]) }, "nudge centre");
    } else change({ outline_px: dragged(outlineOf(c), spot.value, [dx, dy], reach.value) }, "nudge outline");
  };
  const onKey = (e: KeyboardEvent): void => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const by = e.shiftKey ? 10 : 1;
    const turn = (way: number) => () => (tool.value === "scale" ? void (end.value = end.value ? 0 : 1) : step(way));
    const acts: Record<string, () => void> = {
      ArrowLeft: () => nudge(-by, 0),
      ArrowRight: () => nudge(by, 0),
      ArrowUp: () => nudge(0, -by),
      ArrowDown: () => nudge(0, by),
      "[": turn(-1),
      "]": turn(1),
      "{": turn(-10),
      "}": turn(10),
      Insert: addPoint,
      Delete: removePoint,
      "+": () => zoom(1.25),
      "=": () => zoom(1.25),
      "-": () => zoom(0.8),
      "0": () => (sight.value = whole),
      PageUp: () => go(-1),
      PageDown: () => go(1),
    };
    if (!acts[e.key]) return;
    e.preventDefault();
    e.stopPropagation(); // these keys mean something else to the rest of the page
    acts[e.key]();
  };

  return (
    <div class="correct-box">
      <div
        class={`correct-stage ${tool.value}`}
        role="group"
        tabIndex={0}
        aria-label={`Photograph ${p.name}: ${WORDS[tool.value]}; plus and minus zoom, 0 shows all, Page Up and Page Down change the picture`}
        onKeyDown={onKey}
        onWheel={(e) => {
          e.preventDefault();
          zoom(e.deltaY < 0 ? 1.15 : 1 / 1.15, place(e));
        }}
        onPointerDown={(e) => {
          e.preventDefault();
          e.currentTarget.focus({ preventScroll: true });
          e.currentTarget.setPointerCapture(e.pointerId);
          hands.current.set(e.pointerId, [e.clientX, e.clientY]);
          const first = hands.current.size === 1;
          if (!first && grip.current?.kind === "held" && tool.value !== "scale") draft(grip.current.start);
          grip.current = first ? take(place(e)) : null;
          if (grip.current?.kind === "held" && tool.value === "centre") follow(grip.current, place(e));
        }}
        onPointerMove={(e) => {
          const old = hands.current.get(e.pointerId);
          if (!old) return;
          hands.current.set(e.pointerId, [e.clientX, e.clientY]);
          const other = [...hands.current].find(([id]) => id !== e.pointerId)?.[1];
          if (other) {
            const spread = (q: Pt): number => Math.max(1, Math.hypot(q[0] - other[0], q[1] - other[1]));
            const about = place({ clientX: other[0], clientY: other[1] });
            zoom(spread([e.clientX, e.clientY]) / spread(old), about);
          } else if (grip.current) follow(grip.current, place(e));
        }}
        onPointerUp={(e) => {
          hands.current.delete(e.pointerId);
          if (grip.current) letGo(grip.current, place(e));
          grip.current = null;
        }}
        onPointerCancel={(e) => {
          hands.current.delete(e.pointerId);
          if (grip.current?.kind === "held" && tool.value !== "scale") draft(grip.current.start);
          grip.current = null;
        }}
      >
        <svg ref={svg} viewBox={`${s.x} ${s.y} ${s.w} ${s.h}`} preserveAspectRatio="xMidYMid meet" aria-hidden="true">
          {p.shown && <image href={imageAddress(p)} x={-0.5} y={-0.5} width={p.width} height={p.height} preserveAspectRatio="none" />}
          {p.crystals.map((o) => (
            <Drawn key={o.number} c={o} at={o.number === c?.number} unit={unit} many={p.crystals.length > 1} />
          ))}
          {tool.value === "scale" && ends.value && <Ends unit={unit} />}
        </svg>
        {!p.shown && <p class="stage-note">{p.why}</p>}
      </div>
      <span class="buttons zoom">
        <button type="button" class="small-button" aria-label="Zoom out" onClick={() => zoom(0.8)}>
          −
        </button>
        <button type="button" class="small-button" aria-label="Zoom in" onClick={() => zoom(1.25)}>
          +
        </button>
        <button type="button" class="small-button" onClick={() => (sight.value = whole)}>
          All of it
        </button>
        <button type="button" class="small-button" disabled={!c} onClick={() => c && (sight.value = around(outlineOf(c), whole))}>
          The crystal
        </button>
        <button type="button" class="small-button" disabled={!p.shown} onClick={add}>
          Add an outline
        </button>
      </span>
    </div>
  );
}

const round = (q: Pt): Pt => [Math.round(q[0] * 100) / 100, Math.round(q[1] * 100) / 100];

function around(loop: Pt[], whole: Sight): Sight {
  if (!loop.length) return whole;
  const [xs, ys] = [loop.map((q) => q[0]), loop.map((q) => q[1])];
  const [low, left] = [Math.min(...ys), Math.min(...xs)];
  const [w, h] = [Math.max(...xs) - left, Math.max(...ys) - low];
  const size = Math.max(w, (h * whole.w) / whole.h, 16) * 1.2;
  const high = (size * whole.h) / whole.w;
  return { x: left + w / 2 - size / 2, y: low + h / 2 - high / 2, w: size, h: high };
}

/** To the next point or the last one. */
export function step(by: number): void {
  const n = crystal.value ? outlineOf(crystal.value).length : 0;
  if (n) spot.value = (((spot.value + by) % n) + n) % n;
}

export function addPoint(): void {
  const c = crystal.value;
  if (!c) return;
  change({ outline_px: added(outlineOf(c), spot.value) }, "");
  spot.value += 1;
  told.value = "One point more.";
}

export function removePoint(): void {
  const c = crystal.value;
  if (!c) return;
  const loop = removed(outlineOf(c), spot.value);
  change({ outline_px: loop }, "");
  spot.value = Math.min(spot.value, loop.length - 1);
  told.value = "One point less.";
}

function nudgeEnd(dx: number, dy: number, p: PictureView): void {
  const known = ends.value ?? [[p.width * 0.25, p.height / 2] as Pt, [p.width * 0.75, p.height / 2] as Pt];
  const q = known[end.value];
  const moved: Pt = [q[0] + dx, q[1] + dy];
  ends.value = end.value ? [known[0], moved] : [moved, known[1]];
}

/** One crystal: as found dashed where a hand changed it, as it is now in a full line, with axes, centre and tips. */
function Drawn({ c, at, unit, many }: { c: CrystalView; at: boolean; unit: number; many: boolean }) {
  const loop = outlineOf(c);
  const now = c.now ?? c.found;
  const centre = centreOf(c);
  const changed = c.by_hand.outline_px !== null;
  const line = path(loop);
  const moving = changed && now && now.outline_px.length === 0;
  const top = loop.reduce((best, q) => (q[1] < best[1] ? q : best), loop[0] ?? [0, 0]);
  return (
    <g class={`${at ? "at-hand" : "other"} ${c.by_hand.leave_out ? "left-out" : ""}`} data-crystal={c.number} data-points={loop.length}>
      {changed && c.found && <path class="as-found" d={path(c.found.outline_px)} />}
      <path class="rim" d={line} />
      <path class="line" d={line} />
      {(now?.holes_px ?? []).map((hole) => (
        <path class="hole" d={path(hole)} />
      ))}
      {at && !moving && centre && (
        <>
          {(now?.axes_px ?? []).map(([x, y]) => (
            <g>
              <line class="rim thin" x1={centre[0]} y1={centre[1]} x2={x} y2={y} />
              <line class="axis" x1={centre[0]} y1={centre[1]} x2={x} y2={y} />
            </g>
          ))}
          {(now?.tips_px ?? []).map(([x, y]) => (
            <g>
              <circle class="rim thin" cx={x} cy={y} r={5 * unit} />
              <circle class="tip" cx={x} cy={y} r={5 * unit} />
            </g>
          ))}
        </>
      )}
      {at && centre && <Cross at={centre} size={(tool.value === "centre" ? 14 : 9) * unit} />}
      {at && tool.value === "outline" && <Points loop={loop} unit={unit} />}
      {many && (
        <text x={top[0]} y={top[1] - 6 * unit} font-size={15 * unit} stroke-width={3 * unit}>
          {c.number}
        </text>
      )}
    </g>
  );
}

function Cross({ at, size }: { at: Pt; size: number }) {
  const d = `M${at[0] - size} ${at[1]}H${at[0] + size}M${at[0]} ${at[1] - size}V${at[1] + size}`;
  return (
    <g class="centre">
      <path class="rim" d={d} />
      <path class="mark" d={d} />
    </g>
  );
}

/** The point at hand; all of them where they are few enough to be told apart. */
function Points({ loop, unit }: { loop: Pt[]; unit: number }) {
  const here = loop[Math.min(spot.value, loop.length - 1)];
  if (!here) return null;
  return (
    <g class="points">
      {loop.length <= 120 && loop.map(([x, y]) => <circle class="point" cx={x} cy={y} r={3.5 * unit} />)}
      <circle class="rim" cx={here[0]} cy={here[1]} r={8 * unit} />
      <circle class="spot" cx={here[0]} cy={here[1]} r={8 * unit} />
    </g>
  );
}

function Ends({ unit }: { unit: number }) {
  const known = ends.value;
  if (!known) return null;
  const [a, b] = known;
  return (
    <g class="ends">
      <line class="rim" x1={a[0]} y1={a[1]} x2={b[0]} y2={b[1]} />
      <line class="mark" x1={a[0]} y1={a[1]} x2={b[0]} y2={b[1]} />
      {known.map((q, k) => (
        <g class={end.value === k ? "spot" : ""}>
          <Cross at={q} size={(end.value === k ? 13 : 8) * unit} />
        </g>
      ))}
    </g>
  );
}
