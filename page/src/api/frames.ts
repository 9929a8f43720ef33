/** A mesh frame as it comes over the socket: PROTOCOL.md, "Mesh frames", schema 1. */
import type { Surface } from "../crystal/viewer";

export interface Frame extends Surface {
  frame: number;
  act: number;
  branch: number;
  stored: boolean;
  radius: number; // micrometres
  extent: number; // micrometres along c
  voxel: number; // micrometres
}

export class FrameError extends Error {}

const UM = 1e6;
const HEADER = 128;
const INDEX = 1;
const MIRRORED = 2;
const SHORT = 4;
const STORED = 8;

const padded = (bytes: number): number => (bytes + 3) & ~3;

/** Reads frames and keeps the last topology, for frames that come without one. One reader a socket. */
export class FrameReader {
  private topology = -1;
  private index: Uint32Array = new Uint32Array(0);

  read(buffer: ArrayBuffer): Frame {
    const v = new DataView(buffer);
    if (buffer.byteLength < HEADER || v.getUint32(0, false) !== 0x49574d46) throw new FrameError("not a mesh frame");
    const schema = v.getUint16(4, true);
    if (schema !== 1) throw new FrameError(`mesh frame of schema ${schema}; this page reads 1. Reload the page.`);
    const header = v.getUint16(6, true);
    const flags = v.getUint32(8, true);
    const copies = v.getUint32(12, true);
    const topology = v.getUint32(20, true);
    const vertices = v.getUint32(24, true);
    const indices = v.getUint32(28, true);
    let at = header;
    const take = (bytes: number): number => {
      const from = at;
      if (at + bytes > buffer.byteLength) throw new FrameError("mesh frame cut short");
      at += padded(bytes); // the last block ends without padding
      return from;
    };
    const places = new Int16Array(buffer, take(vertices * 6), vertices * 3);
    const thick = new Uint16Array(buffer, take(vertices * 2), vertices);
    const froze = new Uint16Array(buffer, take(vertices * 2), vertices);
    if (flags & INDEX) {
      this.index =
        flags & SHORT
          ? Uint32Array.from(new Uint16Array(buffer, take(indices * 2), indices))
          : new Uint32Array(buffer, take(indices * 4), indices).slice();
      this.topology = topology;
      if (this.index.some((i) => i >= vertices)) throw new FrameError("mesh frame with an index beyond its vertices");
    } else if (this.topology !== topology || this.index.length !== indices) {
      throw new FrameError("mesh frame without the triangles it needs");
    }
    const scale = v.getFloat64(48, true) * UM;
    return {
      frame: v.getUint32(16, true),
      act: v.getUint32(32, true),
      branch: v.getUint32(36, true),
      stored: (flags & STORED) !== 0,
      time: v.getFloat64(40, true),
      radius: v.getFloat32(72, true) * UM,
      extent: v.getFloat32(76, true) * UM,
      voxel: v.getFloat32(92, true) * UM,
      spacing: v.getFloat32(92, true) * UM,
      copies,
      mirrored: (flags & MIRRORED) !== 0,
      positions: scaled(places, scale),
      thickness: scaled(thick, v.getFloat64(64, true) * UM),
      age: scaled(froze, v.getFloat64(56, true)),
      index: this.index,
    };
  }
}

function scaled(values: Int16Array | Uint16Array, by: number): Float32Array<ArrayBuffer> {
  const out = new Float32Array(values.length);
  for (let i = 0; i < values.length; i++) out[i] = values[i] * by;
  return out;
}
