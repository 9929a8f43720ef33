const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400];

/** About eight rings over `high` seconds, a round number of seconds or minutes apart. */
export function ringStep(high: number): number {
  return STEPS.find((step) => step >= high / 8) ?? Math.ceil(high / 8 / 14400) * 14400;
}
