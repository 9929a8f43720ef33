/**
 * A sketch of stages as they were asked for: outlines in plan and from the side, in micrometres. It shows sizes and forms that a
 * person wrote down, and is no prediction: where a size was left out, a usual ratio stands in (common practice, no source).
 */
export interface Asked {
  habit: string;
  radius: number | null;
  thickness: number | null;
}
export type Loop = [number, number][];
export interface Sketch {
  plan: Loop[];
  side: Loop[];
  hollow: Loop[]; // drawn dashed in the side view
  radius: number;
  thickness: number;
  guessed: boolean; // a size was not asked for
}

const LONG = ["column", "hollow column", "needle"];
const RATIO: Record<string, number> = { "thick plate": 0.45, compact: 0.9, column: 2.5, "hollow column": 2.5, needle: 8, "capped column": 1 };
const FLAT = 0.12;
const THIRD = Math.PI / 3;

const polar = (r: number, a: number): [number, number] => [r * Math.cos(a), r * Math.sin(a)];

export const hexagon = (r: number): Loop => Array.from({ length: 6 }, (_, k) => polar(r, k * THIRD));
const box = (r: number, low: number, high: number): Loop => [
  [-r, low],
  [r, low],
  [r, high],
  [-r, high],
];

/** A bar from the axis outwards at an angle, pointed as a branch is. */
function arm(from: number, to: number, half: number, angle: number, at: [number, number] = [0, 0]): Loop {
  const tip = Math.min(half * 1.2, (to - from) / 2);
  const points: Loop = [
    [from, -half],
    [to - tip, -half],
    [to, 0],
    [to - tip, half],
    [from, half],
  ];
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  return points.map(([x, y]) => [at[0] + x * c - y * s, at[1] + x * s + y * c]);
}

function arms(core: number, radius: number, branches: number[]): Loop[] {
  const half = Math.max(0.07 * radius, 0.25 * (radius - core) * 0.25);
  const out: Loop[] = [];
  for (let k = 0; k < 6; k++) {
    const a = k * THIRD;
    out.push(arm(0, radius, half, a));
    for (const r of branches) {
      const length = Math.max(0, (radius - r) * 0.7);
      if (length <= half) continue;
      for (const side of [1, -1]) out.push(arm(0, length, half * 0.7, a + side * THIRD, polar(r, a)));
    }
  }
  return out;
}

/** What the crystal would look like at the end of each stage. */
export function sketches(stages: (Asked & { branches: number[] })[]): Sketch[] {
  const out: Sketch[] = [];
  let before: Sketch | null = null;
  let armed = false;
  let columnRadius = 0;
  let grown: Loop[] = [];
  for (const stage of stages) {
    const sizes = sized(stage, before);
    const { radius, thickness } = sizes;
    const core: number = before ? Math.min(before.radius, radius) : 0.25 * radius;
    let plan: Loop[] = [hexagon(radius)];
    let side: Loop[] = [box(radius, -thickness / 2, thickness / 2)];
    let hollow: Loop[] = [];
    switch (stage.habit) {
      case "branches":
      case "stellar plate":
        plan = [...(grown.length ? grown : [hexagon(core)]), ...arms(core, radius, stage.branches)];
        armed = true;
        break;
      case "dendritic plate":
        plan = [...(grown.length ? grown : [hexagon(core)]), ...arms(core, radius, stage.branches.length ? stage.branches : [0.45 * radius, 0.65 * radius])];
        armed = true;
        break;
      case "sectored plate":
        plan = [Array.from({ length: 12 }, (_, k) => polar(k % 2 ? 0.72 * radius : radius, (k * THIRD) / 2))];
        break;
      case "plate ends": {
        const half = Math.max(radius - core, 0.12 * radius);
        plan = [...(armed ? grown : [hexagon(core), ...arms(core, radius, [])])];
        for (let k = 0; k < 6; k++) {
          const [x, y] = polar(radius - half, k * THIRD);
          plan.push(hexagon(half).map(([a, b]) => [x + a, y + b]));
        }
        break;
      }
      case "capped column": {
        const cap = Math.max(0.08 * thickness, 0.1 * radius);
        const waist = columnRadius || 0.45 * radius;
        side = [box(waist, -thickness / 2, thickness / 2), box(radius, thickness / 2 - cap, thickness / 2), box(radius, -thickness / 2, -thickness / 2 + cap)];
        break;
      }
      case "hollow column":
        for (const s of [1, -1])
          hollow.push([
            [-0.7 * radius, (s * thickness) / 2],
            [0, s * 0.12 * thickness],
            [0.7 * radius, (s * thickness) / 2],
          ]);
        break;
    }
    if (LONG.includes(stage.habit)) columnRadius = radius;
    grown = plan;
    before = { plan, side, hollow, radius, thickness, guessed: sizes.guessed };
    out.push(before);
  }
  return out;
}

function sized(stage: Asked, before: Sketch | null): { radius: number; thickness: number; guessed: boolean } {
  const ratio = RATIO[stage.habit] ?? FLAT; // of the thickness to the whole width
  let { radius, thickness } = stage;
  const guessed = radius === null || thickness === null;
  if (radius === null && thickness === null) {
    radius = before ? 1.5 * before.radius : 20;
    thickness = 2 * radius * ratio;
  } else if (radius === null) radius = Math.max((thickness as number) / (2 * ratio), before && !LONG.includes(stage.habit) ? before.radius : 0);
  else if (thickness === null) {
    // Ice never shrinks: a column that gets caps keeps its length.
    thickness = Math.max(2 * radius * ratio, before?.thickness ?? 0);
    if (stage.habit === "capped column" && before) thickness = 1.05 * before.thickness;
  }
  return { radius: radius as number, thickness: thickness as number, guessed };
}
