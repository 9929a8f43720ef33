import * as THREE from "three";
import { describe, expect, it } from "vitest";
import { cividis, gradient, mapped, toLinear } from "./colours";
import { alignSeams, mirrors, turns } from "./fold";
import { vertexNormals } from "./normals";
import { ringStep } from "./rings";
import { niceLength, scaleBar } from "./scalebar";
import { sectionBytes } from "./section";

describe("the scale bar", () => {
  it("is a 1, 2 or 5 and never longer than there is room", () => {
    for (let px = 0.01; px < 1000; px *= 1.37) {
      const bar = scaleBar(px, 150);
      expect(bar.px).toBeLessThanOrEqual(150 * (1 + 1e-9));
      expect(bar.px).toBeGreaterThan(150 / 2.5 - 1e-6); // between 2 and 5 lies the widest gap
      expect(bar.px / bar.um).toBeCloseTo(px, 9);
      const lead = bar.um / 10 ** Math.floor(Math.log10(bar.um) + 1e-9);
      expect([1, 2, 5].some((m) => Math.abs(lead - m) < 1e-6)).toBe(true);
    }
  });
  it("names its unit", () => {
    expect(scaleBar(1, 150).words).toBe("100 µm");
    expect(scaleBar(0.05, 150).words).toBe("2 mm");
    expect(scaleBar(500, 150).words).toBe("200 nm");
    expect(niceLength(0)).toBe(0);
  });
});

describe("turning the sector into the whole", () => {
  it("makes six turns whose sixth power is no turn", () => {
    const all = turns(6);
    expect(all).toHaveLength(6);
    const round = new THREE.Matrix4();
    for (let i = 0; i < 6; i++) round.multiply(all[1]);
    round.elements.forEach((x, i) => expect(x).toBeCloseTo(new THREE.Matrix4().elements[i], 12));
    expect(turns(1)).toHaveLength(1);
    expect(mirrors(true)).toHaveLength(2);
    expect(mirrors(false)).toHaveLength(1);
  });
  it("closes a prism: the six sectors with their mirror images have the volume of the hexagon", () => {
    // Closed form: the hexagon of corner radius R has area (3 sqrt 3 / 2) R^2.
    const R = 10;
    const h = 2;
    const corner = (deg: number, z: number): THREE.Vector3 =>
      new THREE.Vector3(R * Math.cos((deg * Math.PI) / 180), R * Math.sin((deg * Math.PI) / 180), z);
    const top: [THREE.Vector3, THREE.Vector3, THREE.Vector3] = [new THREE.Vector3(0, 0, h), corner(0, h), corner(60, h)];
    const side: (typeof top)[] = [
      [corner(0, 0), corner(60, 0), corner(60, h)],
      [corner(0, 0), corner(60, h), corner(0, h)],
    ];
    let volume = 0;
    for (const mirror of mirrors(true)) {
      const flips = mirror.x * mirror.y * mirror.z < 0;
      for (const turn of turns(6)) {
        const place = new THREE.Matrix4().makeScale(mirror.x, mirror.y, mirror.z).multiply(turn);
        for (const t of [top, ...side]) {
          const [a, b, c] = t.map((p) => p.clone().applyMatrix4(place));
          volume += (a.dot(b.cross(c)) / 6) * (flips ? -1 : 1);
        }
      }
    }
    expect(volume).toBeCloseTo(((3 * Math.sqrt(3)) / 2) * R * R * 2 * h, 9);
  });
  it("lays the normals of the seams into the mirror planes", () => {
    const at60 = [Math.cos(Math.PI / 3), Math.sin(Math.PI / 3)];
    const positions = [5, 0, 1, 5 * at60[0], 5 * at60[1], 1, 4, 2, 0, 4, 2, 1];
    const normals = new Float32Array(Array.from({ length: 4 }, () => [0.6, 0.48, 0.64]).flat());
    alignSeams(positions, normals, 1e-6, true, true);
    const n = (i: number): number[] => [...normals.slice(3 * i, 3 * i + 3)];
    expect(n(0)[1]).toBeCloseTo(0, 6);
    expect(-at60[1] * n(1)[0] + at60[0] * n(1)[1]).toBeCloseTo(0, 6);
    expect(n(2)[2]).toBeCloseTo(0, 6);
    expect(n(3)[0]).toBeCloseTo(0.6, 6); // inside: left alone
    for (let i = 0; i < 4; i++) expect(Math.hypot(...n(i))).toBeCloseTo(1, 5);
  });
});

describe("normals", () => {
  it("of a fine ball point outward", () => {
    const ball = new THREE.SphereGeometry(3, 40, 40);
    const p = ball.getAttribute("position").array as Float32Array;
    const n = vertexNormals(p, new Uint32Array(ball.index?.array ?? []), p.length / 3);
    let off = 0;
    for (let i = 0; i < p.length; i += 3) {
      if (Math.abs(p[i + 1]) > 2.9) continue; // this ball's poles and its seam are open
      off = Math.max(off, 1 - (p[i] * n[i] + p[i + 1] * n[i + 1] + p[i + 2] * n[i + 2]) / 3);
    }
    expect(off).toBeLessThan(0.01); // half a cell of 4.5 degrees: 1 - cos(4.5 deg / 2 * 2) = 0.003, doubled at the seam
  });
});

describe("colours", () => {
  it("grow lighter all the way, so that they read without hue", () => {
    // Relative luminance, IEC 61966-2-1 primaries.
    const luminance = (c: number[]): number => 0.2126 * toLinear(c[0]) + 0.7152 * toLinear(c[1]) + 0.0722 * toLinear(c[2]);
    for (const map of [cividis, (v: number) => mapped(v, true)]) {
      let last = -1;
      for (let v = 0; v <= 1; v += 0.02) {
        const now = luminance(map(v));
        expect(now).toBeGreaterThan(last);
        last = now;
      }
    }
  });
  it("in the red theme hold no green and no blue", () => {
    for (let v = -0.5; v < 1.5; v += 0.1) expect(mapped(v, true).slice(1)).toEqual([0, 0]);
    expect(gradient(true)).not.toMatch(/rgb\(\d+ [1-9]/);
  });
});

describe("rings of age", () => {
  it.each([
    [40, 5],
    [475, 60],
    [3600, 600],
    [1e6, 129600],
  ])("of %d s lie %d s apart", (high, step) => expect(ringStep(high)).toBe(step));
  it("are drawn dark between cells of different rings, and no ice is clear", () => {
    const bytes = sectionBytes([[0, 1, null, 9]], 5, 10, false);
    const cell = (c: number): number[] => [...bytes.slice(4 * c, 4 * c + 4)];
    expect(cell(2)[3]).toBe(0);
    expect(cell(1)[3]).toBe(255);
    const edged = sectionBytes([[4, 6]], 5, 10, false);
    const plain = sectionBytes([[4, 4]], 5, 10, false);
    expect(edged[0] + edged[1] + edged[2]).toBeLessThan(plain[0] + plain[1] + plain[2]);
  });
});
