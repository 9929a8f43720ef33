/** Keys for the whole page. They rest while a person types or a control that uses the key itself has the focus. */
import { clock, clockDo, current, endOf, go, pace, state, stepOn } from "./bench";
import { lookFrom, nextColour, nextCut, place, showKeys, viewer } from "./view";

export const KEYS: [string, string][] = [
  ["Space", "pause and go on; beside the microscope: done, go on, where a step waits"],
  [".", "one time step"],
  ["←  →", "half a minute back or forward (with the crystal in focus: turn it)"],
  ["1  2  3", "plan view, side view, tilted view"],
  ["+  −  0", "nearer, farther, all of it"],
  ["C", "cut open: no cut, upright, level"],
  ["T", "colour: lit like ice, thickness, age"],
  ["B  M  P  R  D", "bench, microscope, photographs, runs, design"],
  ["?", "this list"],
];

function typing(target: EventTarget | null): boolean {
  const e = target as HTMLElement | null;
  return !!e?.closest("input:not([type=checkbox]):not([type=radio]), select, textarea, dialog, [role=slider], [contenteditable]");
}

export function onKey(e: KeyboardEvent): void {
  if (e.ctrlKey || e.metaKey || e.altKey || typing(e.target)) return;
  const onButton = !!(e.target as HTMLElement | null)?.closest("button, a, summary, input");
  const onCrystal = !!(e.target as HTMLElement | null)?.closest(".crystal-view");
  const does = (): (() => void) | null => {
    switch (e.key) {
      case " ":
        if (onButton) return null;
        if (place.value === "microscope" && clock.value?.cue?.waiting) return () => void clockDo({ key: true });
        return () => void pace({ paused: !state.value?.paused });
      case ".":
        return () => void stepOn({ steps: 1 });
      case "ArrowLeft":
      case "ArrowRight":
      case "ArrowUp":
      case "ArrowDown": {
        const side = e.key === "ArrowLeft" ? -1 : e.key === "ArrowRight" ? 1 : 0;
        const up = e.key === "ArrowUp" ? -1 : e.key === "ArrowDown" ? 1 : 0;
        if (onCrystal) return () => viewer()?.turn(-side * 0.1, up * 0.1);
        if (!side || onButton || ["runs", "photographs", "design"].includes(place.value)) return null;
        return () => jump(side * 30);
      }
      case "1":
        return () => lookFrom("plan");
      case "2":
        return () => lookFrom("side");
      case "3":
        return () => lookFrom("tilted");
      case "+":
      case "=":
        return () => viewer()?.zoom(1.2);
      case "-":
        return () => viewer()?.zoom(1 / 1.2);
      case "0":
        return () => viewer()?.fit();
      case "c":
        return nextCut;
      case "t":
        return nextColour;
      case "b":
        return () => (place.value = "bench");
      case "m":
        return () => (place.value = "microscope");
      case "p":
        return () => (place.value = "photographs");
      case "r":
        return () => (place.value = "runs");
      case "d":
        return () => (place.value = "design");
      case "?":
        return () => (showKeys.value = true);
      default:
        return null;
    }
  };
  const act = does();
  if (!act) return;
  e.preventDefault();
  act();
}

/** Go back or forward within what is recorded; forward of its end means growing on. */
export function jump(by: number): void {
  const now = state.value;
  if (!now || !current.value) return;
  const to = now.time_s + by;
  if (to > endOf.value + 0.5) void stepOn({ seconds: by });
  else void go({ time_s: Math.max(0, to) });
}
