/** Normals at the vertices: the sum of the triangles' area vectors around each, made one long. Returns n x 3. */
export function vertexNormals(positions: Float32Array, index: Uint32Array, count: number): Float32Array {
  const out = new Float32Array(count * 3);
  for (let t = 0; t < index.length; t += 3) {
    const a = index[t] * 3;
    const b = index[t + 1] * 3;
    const c = index[t + 2] * 3;
    const ux = positions[b] - positions[a];
    const uy = positions[b + 1] - positions[a + 1];
    const uz = positions[b + 2] - positions[a + 2];
    const vx = positions[c] - positions[a];
    const vy = positions[c + 1] - positions[a + 1];
    const vz = positions[c + 2] - positions[a + 2];
    const nx = uy * vz - uz * vy;
    const ny = uz * vx - ux * vz;
    const nz = ux * vy - uy * vx;
    for (const k of [a, b, c]) {
      out[k] += nx;
      out[k + 1] += ny;
      out[k + 2] += nz;
    }
  }
  for (let i = 0; i < out.length; i += 3) {
    const long = Math.hypot(out[i], out[i + 1], out[i + 2]) || 1;
    out[i] /= long;
    out[i + 1] /= long;
    out[i + 2] /= long;
  }
  return out;
}
