/** How the crystal is looked at; the panels and the keys all turn these. */
import { signal } from "@preact/signals";
import type { ColourBy } from "../crystal/colours";
import type { CutKind, Sight, View, Viewer } from "../crystal/viewer";

export type Place = "bench" | "microscope" | "photographs" | "runs" | "design";

export const place = signal<Place>("bench");
export const view = signal<View>("tilted");
export const colour = signal<ColourBy>("ice");
export const cut = signal<CutKind>("none");
export const cutAt = signal(0); // degrees for an upright cut, micrometres for a level one
export const showKeys = signal(false);
export const sight = signal<Sight>({ pixelsPerUm: 1, ax: 1, ay: 0, bx: 0, by: -1, cx: 0, cy: 0, x: 0, y: 0 });
export const outlined = signal(true); // the predicted outline is drawn over a photograph
export const moving = signal<"crystal" | "photograph">("crystal"); // what the pointer on the view moves

let shown: Viewer | null = null;
export const useViewer = (viewer: Viewer | null): void => {
  shown = viewer;
};
export const viewer = (): Viewer | null => shown;

const COLOURS: ColourBy[] = ["ice", "thickness", "age"];
const CUTS: CutKind[] = ["none", "upright", "level"];

export function lookFrom(which: View): void {
  view.value = which;
  shown?.look(which);
}
/** The view from where a photograph was taken. */
export const VIEW_ALONG = { c: "plan", y: "side", x: "end" } as const;

export function nextColour(): void {
  colour.value = COLOURS[(COLOURS.indexOf(colour.value) + 1) % COLOURS.length];
}
export function setCut(kind: CutKind): void {
  cut.value = kind;
  cutAt.value = 0;
}
export function nextCut(): void {
  setCut(CUTS[(CUTS.indexOf(cut.value) + 1) % CUTS.length]);
}
