/**
 * The crystal is sent as the sector between two corners, and only its upper half where it is held in free air.
 * Here the piece becomes the whole: turned by 60 degrees five times more, and mirrored in z = 0.
 */
import * as THREE from "three";

/** The turns about c that make the whole of one piece. */
export function turns(copies: number): THREE.Matrix4[] {
  return Array.from({ length: copies }, (_, i) => new THREE.Matrix4().makeRotationZ((i * 2 * Math.PI) / copies));
}

/** Scales in front of the turns: a mirror flips the winding, which three.js undoes per object, not per instance. */
export function mirrors(mirrored: boolean): THREE.Vector3[] {
  const out = [new THREE.Vector3(1, 1, 1)];
  if (mirrored) out.push(new THREE.Vector3(1, 1, -1));
  return out;
}

/**
 * A sixfold crystal is its own mirror image in the plane through each corner, so a normal on a seam lies in that plane;
 * one averaged over the triangles of a single side does not, and would show as a line. The same holds at z = 0.
 *
 * positions and normals: n x 3, changed in place; `near` is how close counts as on a plane, in the unit of positions.
 */
export function alignSeams(
  positions: ArrayLike<number>,
  normals: Float32Array,
  near: number,
  sixfold: boolean,
  mirrored: boolean,
): void {
  const planes: [number, number, number][] = [];
  if (sixfold) planes.push([0, 1, 0], [-Math.sin(Math.PI / 3), Math.cos(Math.PI / 3), 0]);
  if (mirrored) planes.push([0, 0, 1]);
  for (let i = 0; i < normals.length; i += 3) {
    let on = false;
    for (const [a, b, c] of planes) {
      if (Math.abs(a * positions[i] + b * positions[i + 1] + c * positions[i + 2]) > near) continue;
      const off = a * normals[i] + b * normals[i + 1] + c * normals[i + 2];
      normals[i] -= off * a;
      normals[i + 1] -= off * b;
      normals[i + 2] -= off * c;
      on = true;
    }
    if (!on) continue;
    const long = Math.hypot(normals[i], normals[i + 1], normals[i + 2]) || 1;
    normals[i] /= long;
    normals[i + 1] /= long;
    normals[i + 2] /= long;
  }
}
