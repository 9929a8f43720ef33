/** The face of a cut: when each part froze, as colours and as rings a round time apart. */
import type { Section } from "../api/types";
import { mapped } from "./colours";
import { ringStep } from "./rings";

export interface Painted {
  canvas: HTMLCanvasElement;
  centre: [number, number]; // micrometres
  size: [number, number]; // micrometres
}

/** Colour of every cell, rows from the top: RGBA bytes; a cell whose neighbour lies past another ring is drawn dark. */
export function sectionBytes(frozen: (number | null)[][], step: number, high: number, red: boolean): Uint8ClampedArray<ArrayBuffer> {
  const rows = frozen.length;
  const columns = rows ? frozen[0].length : 0;
  const out = new Uint8ClampedArray(rows * columns * 4);
  const ring = (value: number | null | undefined): number | null => (value == null ? null : Math.floor(value / step));
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      const value = frozen[r][c];
      if (value == null) continue;
      const mine = ring(value);
      const others = [ring(frozen[r][c + 1]), ring(frozen[r + 1]?.[c])];
      const edge = others.some((o) => o !== null && o !== mine);
      const colour = mapped(high > 0 ? value / high : 0, red);
      const at = ((rows - 1 - r) * columns + c) * 4;
      for (let k = 0; k < 3; k++) out[at + k] = 255 * colour[k] * (edge ? 0.3 : 1);
      out[at + 3] = 255;
    }
  }
  return out;
}

export function paintSection(section: Section, red: boolean): Painted | null {
  const { x_um: x, y_um: y, frozen_s: frozen } = section;
  if (x.length < 2 || y.length < 2) return null;
  let high = 0;
  for (const row of frozen) for (const v of row) if (v !== null && v > high) high = v;
  const canvas = document.createElement("canvas");
  canvas.width = x.length;
  canvas.height = y.length;
  const pen = canvas.getContext("2d");
  if (!pen) return null;
  pen.putImageData(new ImageData(sectionBytes(frozen, ringStep(high), high, red), x.length, y.length), 0, 0);
  const dx = (x[x.length - 1] - x[0]) / (x.length - 1);
  const dy = (y[y.length - 1] - y[0]) / (y.length - 1);
  return {
    canvas,
    centre: [(x[0] + x[x.length - 1]) / 2, (y[0] + y[y.length - 1]) / 2],
    size: [dx * x.length, dy * y.length],
  };
}
