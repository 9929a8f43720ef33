// The layout under test is that of src/icewright/bench/PROTOCOL.md, "Mesh frames", written out here by hand.
import { describe, expect, it } from "vitest";
import { FrameError, FrameReader } from "./frames";

interface Made {
  topology?: number;
  index?: number[] | null;
  short?: boolean;
  mirrored?: boolean;
  schema?: number;
}

/** Three corners of one triangle, 10 um apart, as the server would send them. */
function frame({ topology = 1, index = [0, 1, 2], short = true, mirrored = true, schema = 1 }: Made = {}): ArrayBuffer {
  const width = short ? 2 : 4;
  const size = 128 + 20 + 8 + 8 + (index ? index.length * width : 0); // 18 and 6 bytes are padded to fours
  const buffer = new ArrayBuffer(size);
  const v = new DataView(buffer);
  new Uint8Array(buffer).set([0x49, 0x57, 0x4d, 0x46]);
  v.setUint16(4, schema, true);
  v.setUint16(6, 128, true);
  v.setUint32(8, (index ? 1 : 0) | (mirrored ? 2 : 0) | (short ? 4 : 0), true);
  v.setUint32(12, 6, true);
  v.setUint32(16, 77, true);
  v.setUint32(20, topology, true);
  v.setUint32(24, 3, true);
  v.setUint32(28, 3, true);
  v.setUint32(32, 5, true);
  v.setUint32(36, 2, true);
  v.setFloat64(40, 90, true);
  v.setFloat64(48, 1e-6 / 100, true); // a hundredth of a micrometre
  v.setFloat64(56, 0.5, true);
  v.setFloat64(64, 1e-7, true);
  v.setFloat32(72, 1e-5, true);
  v.setFloat32(92, 5e-7, true);
  [1000, 0, 200, 500, 866, 200, 0, 0, 200].forEach((x, i) => v.setInt16(128 + 2 * i, x, true));
  [40, 41, 42].forEach((x, i) => v.setUint16(148 + 2 * i, x, true));
  [0, 90, 180].forEach((x, i) => v.setUint16(156 + 2 * i, x, true));
  index?.forEach((x, i) => (short ? v.setUint16(164 + 2 * i, x, true) : v.setUint32(164 + 4 * i, x, true)));
  return buffer;
}

describe("a mesh frame", () => {
  it.each([true, false])("is read in micrometres and seconds, index of two bytes: %s", (short) => {
    const got = new FrameReader().read(frame({ short }));
    expect(got.frame).toBe(77);
    expect(got.act).toBe(5);
    expect(got.branch).toBe(2);
    expect(got.time).toBe(90);
    expect(got.copies).toBe(6);
    expect(got.mirrored).toBe(true);
    expect(got.radius).toBeCloseTo(10, 4);
    expect(got.voxel).toBeCloseTo(0.5, 5);
    [10, 0, 2, 5, 8.66, 2, 0, 0, 2].forEach((x, i) => expect(got.positions[i]).toBeCloseTo(x, 5));
    [4, 4.1, 4.2].forEach((x, i) => expect(got.thickness[i]).toBeCloseTo(x, 5));
    expect([...got.age]).toEqual([0, 45, 90]);
    expect([...got.index]).toEqual([0, 1, 2]);
  });

  it("without its triangles takes those of the last frame with that topology", () => {
    const reader = new FrameReader();
    reader.read(frame({ topology: 9, index: [2, 1, 0] }));
    expect([...reader.read(frame({ topology: 9, index: null })).index]).toEqual([2, 1, 0]);
    expect(() => reader.read(frame({ topology: 10, index: null }))).toThrow(FrameError);
  });

  it.each([
    ["torn", frame().slice(0, 150)],
    ["of something else", new ArrayBuffer(200)],
    ["empty", new ArrayBuffer(0)],
    ["of a later schema", frame({ schema: 2 })],
    ["pointing beyond its vertices", frame({ index: [0, 1, 3] })],
  ])("is refused when %s", (_, bytes) => {
    expect(() => new FrameReader().read(bytes)).toThrow(FrameError);
  });
});
