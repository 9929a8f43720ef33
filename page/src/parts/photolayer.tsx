/** The photographs over the crystal, to the scale of the view, and the outline that is predicted drawn over them. */
import { useSignal, useSignalEffect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { address, ask } from "../api/client";
import type { Outline, Photo } from "../api/types";
import { attempt, frame, here, photos } from "../state/bench";
import { latest } from "../state/latest";
import { type Hand, moved, type Place, scaled, shifted, turned } from "../state/photo";
import type { Sight } from "../crystal/viewer";
import { moving, outlined, sight } from "../state/view";

const OUTLINE_EVERY_MS = 1500;

/** Whence a photograph may have been taken. */
export const SEEN: Record<Photo["along"], string> = { c: "from above", y: "from the side, across corners", x: "from the side, across faces" };

const senders = new Map<number, (part: Partial<Photo>) => void>();

function sender(number: number): (part: Partial<Photo>) => void {
  const known = senders.get(number);
  if (known) return known;
  const made = latest<Partial<Photo>>(
    (part) =>
      attempt(async () => {
        await ask(here(`photos/${number}`), part, "PATCH");
      }),
    (older, newer) => ({ ...older, ...newer }),
  );
  senders.set(number, made);
  return made;
}

/** Lay a photograph anew: at once here, and (if it is to be kept) on the server as soon as it has taken the last. */
export function place(number: number, part: Partial<Photo>, keep = true): void {
  photos.value = photos.value.map((p) => (p.number === number ? { ...p, ...part } : p));
  if (keep) sender(number)(part);
}

export function PhotoLayer() {
  const all = photos.value;
  const free = moving.value === "photograph";
  return (
    <div class={`photos ${free ? "free" : ""}`}>
      {all.map((p, i) => (
        <Laid key={p.number} photo={p} free={free && i === all.length - 1} />
      ))}
      {outlined.value && <OutlineLines />}
    </div>
  );
}

/** One photograph. While it is free, one pointer moves it, two scale and turn it, and so do wheel and keys. */
function Laid({ photo, free }: { photo: Photo; free: boolean }) {
  const hands = useRef(new Map<number, Hand>());
  const s = sight.value;
  const scale = photo.um_per_pixel * s.pixelsPerUm;
  const now = (): Place => {
    const { um_per_pixel, x_um, y_um, rotation_deg } = photos.value.find((p) => p.number === photo.number) ?? photo;
    return { um_per_pixel, x_um, y_um, rotation_deg };
  };
  const middle = (e: { currentTarget: HTMLElement }): Hand => {
    const box = (e.currentTarget.offsetParent ?? e.currentTarget).getBoundingClientRect();
    return [box.left + box.width / 2 + s.x, box.top + box.height / 2 + s.y];
  };
  const img = (
    <img
      src={address(here(`photos/${photo.number}`))}
      alt=""
      draggable={false}
      style={{
        width: `${photo.width * scale}px`,
        height: `${photo.height * scale}px`,
        opacity: photo.opacity,
        transform: `translate(-50%, -50%) translate(${s.x + photo.x_um * s.pixelsPerUm}px, ${s.y - photo.y_um * s.pixelsPerUm}px) rotate(${-photo.rotation_deg}deg)`,
      }}
    />
  );
  if (!free) return img;
  const to = (next: Place): void => place(photo.number, next);
  return (
    <div
      class="photo-hold"
      role="group"
      tabIndex={0}
      aria-label={`Photograph ${photo.name}: arrow keys move it, plus and minus scale it, comma and full stop turn it`}
      onPointerDown={(e) => {
        e.preventDefault();
        e.currentTarget.focus();
        e.currentTarget.setPointerCapture(e.pointerId);
        hands.current.set(e.pointerId, [e.clientX, e.clientY]);
      }}
      onPointerMove={(e) => {
        const old = hands.current.get(e.pointerId);
        if (!old) return;
        const others = [...hands.current].filter(([id]) => id !== e.pointerId).map(([, h]) => h);
        const next: Hand = [e.clientX, e.clientY];
        to(moved(now(), old, next, others[0] ?? null, middle(e), s.pixelsPerUm));
        hands.current.set(e.pointerId, next);
      }}
      onPointerUp={(e) => hands.current.delete(e.pointerId)}
      onPointerCancel={(e) => hands.current.delete(e.pointerId)}
      onWheel={(e) => {
        e.preventDefault();
        const by = -Math.sign(e.deltaY || e.deltaX);
        to(e.shiftKey ? turned(now(), by) : scaled(now(), 1.02 ** by));
      }}
      onKeyDown={(e) => {
        if (e.ctrlKey || e.metaKey || e.altKey) return;
        const step = (e.shiftKey ? 10 : 1) / s.pixelsPerUm;
        const act: Record<string, () => Place> = {
          ArrowLeft: () => shifted(now(), -step, 0),
          ArrowRight: () => shifted(now(), step, 0),
          ArrowUp: () => shifted(now(), 0, step),
          ArrowDown: () => shifted(now(), 0, -step),
          "+": () => scaled(now(), 1.01),
          "=": () => scaled(now(), 1.01),
          "-": () => scaled(now(), 1 / 1.01),
          ",": () => turned(now(), 0.5),
          ".": () => turned(now(), -0.5),
        };
        const does = act[e.key];
        if (!does) return;
        e.preventDefault();
        e.stopPropagation(); // these keys mean something else to the rest of the page
        to(does());
      }}
    >
      {img}
    </div>
  );
}

/** The plane that a photograph taken along an axis shows: what is to its right and what is up, on the screen. */
function planeOf(along: Photo["along"], s: Sight): [number, number, number, number] {
  if (along === "c") return [s.ax, s.ay, s.bx, s.by];
  return along === "y" ? [s.ax, s.ay, s.cx, s.cy] : [s.bx, s.by, s.cx, s.cy];
}

/** The predicted outline as the last photograph shows it, on its plane; seen aslant it would say nothing, and is left out. */
function OutlineLines() {
  const lines = useSignal<Outline["polygons"]>([]);
  const asked = useRef({ at: -Infinity, busy: false, timer: 0, along: "c" });
  const along = photos.value[photos.value.length - 1]?.along ?? "c";
  useEffect(() => () => window.clearTimeout(asked.current.timer), []);
  useSignalEffect(() => {
    const memory = asked.current;
    window.clearTimeout(memory.timer);
    const along = photos.value[photos.value.length - 1]?.along ?? "c";
    if (!frame.value) return;
    const fetchIt = async (): Promise<void> => {
      if (memory.busy) {
        memory.timer = window.setTimeout(() => void fetchIt(), 100);
        return;
      }
      memory.busy = true;
      memory.at = performance.now();
      try {
        const got = (await ask<Outline>(here(`outline?along=${along}`))).polygons;
        memory.along = along;
        lines.value = got;
      } catch {
        // The worker may just be starting: the next mesh asks again.
      } finally {
        memory.busy = false;
      }
    };
    memory.timer = window.setTimeout(() => void fetchIt(), along === memory.along ? Math.max(0, memory.at + OUTLINE_EVERY_MS - performance.now()) : 0);
  });
  const s = sight.value;
  const [rx, ry, ux, uy] = planeOf(along, s);
  const flat = Math.abs(rx * uy - ry * ux) > 0.97 * s.pixelsPerUm ** 2;
  if (!flat || !lines.value.length || asked.current.along !== along) return null;
  const path = lines.value.map((line) => `M${line.map(([x, y]) => `${x} ${y}`).join("L")}Z`).join("");
  return (
    <svg class="outline-lines" role="img" aria-label={`The predicted outline, seen ${SEEN[along]}`} data-polygons={lines.value.length}>
      <g transform={`matrix(${rx} ${ry} ${ux} ${uy} ${s.x} ${s.y})`}>
        <path class="rim" d={path} />
        <path d={path} />
      </g>
    </svg>
  );
}
