/** What the timelines are drawn of: strips with an axis each above one axis of time, and handles that are dragged. */
import { useSignal } from "@preact/signals";
import type { RefObject } from "preact";
import { useEffect, useRef } from "preact/hooks";
import type { Row } from "../api/types";
import { go, rows } from "../state/bench";
import { ticks, timeTicks } from "../state/timeline";
import { clock, minus } from "./format";

export const LEFT = 52;
export const RIGHT = 14;
export const STRIP = 46;
export const GAP = 19; // room for the words above each strip
export const AXIS = 24;

export type RowKey = "radius_um" | "thickness_um" | "sigma_percent" | "temperature_c";
type Scale = (v: number) => number;

/** How wide the box is that curves are drawn in. */
export function useWidth(): [RefObject<HTMLDivElement | null>, { value: number }] {
  const box = useRef<HTMLDivElement>(null);
  const width = useSignal(700);
  useEffect(() => {
    if (!box.current) return;
    const watch = new ResizeObserver(([e]) => (width.value = Math.max(260, e.contentRect.width)));
    watch.observe(box.current);
    return () => watch.disconnect();
  }, []);
  return [box, width];
}

/** What was recorded, as a path. */
export function rowsLine(kept: Row[], of: RowKey, x: Scale, y: Scale, part = 1): string {
  return kept
    .filter((r) => Number.isFinite(r[of]))
    .map((r, i) => `${i ? "L" : "M"}${x(r.time_s).toFixed(1)} ${y(r[of] * part).toFixed(1)}`)
    .join("");
}

/** What steps say, as a path: jumps between them, straight within. */
export function steppedLine<P extends { from: number; to: number }>(pieces: P[], of: (p: P) => [number, number], x: Scale, y: Scale): string {
  return pieces.map((p, i) => `${i ? "L" : "M"}${x(p.from)} ${y(of(p)[0])}L${x(p.to)} ${y(of(p)[1])}`).join("");
}

/** A click on the curves, but not on a handle, goes to that moment, if it is recorded. */
export function goThere(e: { target: EventTarget | null; currentTarget: SVGElement; clientX: number }, time: Scale): void {
  if ((e.target as Element).closest("[role=slider]")) return;
  const kept = rows.value;
  const to = time(e.clientX - e.currentTarget.getBoundingClientRect().left);
  if (to <= (kept[kept.length - 1]?.time_s ?? 0)) void go({ time_s: to });
}

export interface StripOf {
  top: number;
  low: number;
  high: number;
  y: (v: number) => number;
  value: (y: number) => number;
}

export function strip(index: number, values: number[], least: number, floor?: number): StripOf {
  const good = values.filter((v) => Number.isFinite(v));
  let low = good.length ? Math.min(...good) : 0;
  let high = good.length ? Math.max(...good) : 1;
  if (floor !== undefined) low = Math.min(low, floor);
  const lack = Math.max(0, least - (high - low));
  const room = (high - low + lack) * 0.18;
  if (floor === undefined) low -= lack / 2;
  high += floor === undefined ? lack / 2 : lack;
  high += room;
  if (floor === undefined || low < floor) low -= room;
  const top = index * (STRIP + GAP) + GAP;
  const y = (v: number): number => top + STRIP - ((v - low) / (high - low)) * STRIP;
  return { top, low, high, y, value: (py) => low + ((top + STRIP - py) / STRIP) * (high - low) };
}

export function Strip({ of, width }: { of: StripOf; width: number }) {
  return (
    <g aria-hidden="true">
      <rect class="ground" x={LEFT} y={of.top} width={width - LEFT - RIGHT} height={STRIP} />
      {ticks(of.low, of.high, 2.5).map((v) => (
        <g key={v}>
          <line class="grid" x1={LEFT} x2={width - RIGHT} y1={of.y(v)} y2={of.y(v)} />
          <text class="tick" x={LEFT - 6} y={Math.min(Math.max(of.y(v) + 4, of.top + 9), of.top + STRIP)} text-anchor="end">
            {minus(String(v))}
          </text>
        </g>
      ))}
    </g>
  );
}

/** What a strip shows, above it, where no curve runs. */
export function StripName({ of, words }: { of: StripOf; words: string }) {
  return (
    <text class="tick" x={LEFT} y={of.top - 5} aria-hidden="true">
      {words}
    </text>
  );
}

/** A moment as a line through all strips, but not through the words between them. */
export const through = (strips: StripOf[], x: number): string => strips.map((s) => `M${x.toFixed(1)} ${s.top}V${s.top + STRIP}`).join("");

/** How high `count` strips and the axis of time are. */
export const heightOf = (count: number): number => count * (STRIP + GAP) + AXIS;

/** Marks of the axis of time, and all that is the same in every timeline. */
export function TimeAxis({ end, x, width, height }: { end: number; x: (t: number) => number; width: number; height: number }) {
  return (
    <>
      {timeTicks(end, Math.max(3, width / 90)).map((v) => (
        <text key={v} class="tick" x={x(v)} y={height - 4} text-anchor="middle">
          {clock(v)}
        </text>
      ))}
    </>
  );
}

interface HandleProps {
  name: string;
  tone: string;
  x: number;
  y: number;
  value: number;
  low: number;
  high: number;
  step: number;
  words: string;
  toValue: (px: number, py: number) => number;
  onValue: (value: number) => void;
}

/** A point that is dragged by pointer or moved by arrow keys; a slider to assistive technology. */
export function Handle({ name, tone, x, y, value, low, high, step, words, toValue, onValue }: HandleProps) {
  const dragging = useRef(false);
  const clamp = (v: number): number => Math.min(high, Math.max(low, v));
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const keys: Record<string, number> = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 };
  return (
    <g
      class={`handle ${tone}`}
      role="slider"
      tabindex={0} // in lower case: attributes of SVG are not put right
      aria-label={name}
      aria-valuenow={value}
      aria-valuemin={low}
      aria-valuemax={high}
      aria-valuetext={words}
      transform={`translate(${x} ${y})`}
      onKeyDown={(e) => {
        const by = keys[e.key];
        if (!by) return;
        e.preventDefault();
        e.stopPropagation();
        onValue(clamp(Number((value + by * step).toFixed(places + 1))));
      }}
      onPointerDown={(e) => {
        dragging.current = true;
        e.currentTarget.setPointerCapture(e.pointerId);
        e.preventDefault();
        (e.currentTarget as unknown as HTMLElement).focus();
      }}
      onPointerMove={(e) => {
        if (!dragging.current) return;
        const box = e.currentTarget.ownerSVGElement?.getBoundingClientRect();
        if (box) onValue(clamp(toValue(e.clientX - box.left, e.clientY - box.top)));
      }}
      onPointerUp={() => (dragging.current = false)}
      onPointerCancel={() => (dragging.current = false)}
    >
      <circle class="reach" r={16} />
      {tone === "plain" ? <path d="M0 -7 6 4H-6Z" /> : <circle r={5.5} />}
    </g>
  );
}

