/** Numbers as people at a microscope read them: always with the unit, never more digits than mean something. */

const THIN = "\u202f"; // narrow no-break space between number and unit

export function digits(value: number, significant = 3): string {
  if (!Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const places = Math.max(0, significant - 1 - Math.floor(Math.log10(Math.abs(value))));
  return minus(value.toFixed(Math.min(places, 8)));
}

/** A true minus sign, as print has it. */
export function minus(text: string): string {
  return text.replace(/^-/, "−");
}

export function um(value: number | null | undefined): string {
  return value == null ? "–" : `${digits(value)}${THIN}µm`;
}

export function percent(value: number | null | undefined, places = 2): string {
  return value == null || !Number.isFinite(value) ? "–" : `${minus(value.toFixed(places))}${THIN}%`;
}

export function celsius(value: number | null | undefined): string {
  return value == null || !Number.isFinite(value) ? "–" : `${minus(value.toFixed(2))}${THIN}°C`;
}

export function rate(umPerS: number | null | undefined): string {
  if (umPerS == null || !Number.isFinite(umPerS)) return "–";
  if (Math.abs(umPerS) < 1e-5) return `0${THIN}µm/s`; // a hundredth of a nanometre a second is no growth that anyone sees
  return Math.abs(umPerS) < 0.01 && umPerS !== 0
    ? `${digits(umPerS * 1000, 2)}${THIN}nm/s`
    : `${digits(umPerS, 2)}${THIN}µm/s`;
}

/** Micrograms as a mass with a sensible prefix. */
export function mass(ug: number | null | undefined): string {
  if (ug == null || !Number.isFinite(ug)) return "–";
  if (ug === 0 || ug >= 0.1) return `${digits(ug)}${THIN}µg`;
  return ug >= 1e-4 ? `${digits(ug * 1e3)}${THIN}ng` : `${digits(ug * 1e6)}${THIN}pg`;
}

/** 390 -> "6 min 30 s"; what a person says, not a clock. */
export function spoken(seconds: number | null | undefined): string {
  if (seconds == null || !Number.isFinite(seconds)) return "–";
  const s = Math.round(Math.abs(seconds));
  const sign = seconds <= -0.5 ? "−" : "";
  if (s < 60) return `${sign}${s} s`;
  const h = Math.floor(s / 3600);
  const m = Math.floor((s % 3600) / 60);
  const rest = s % 60;
  if (h) return `${sign}${h} h ${m} min`;
  return rest ? `${sign}${m} min ${rest} s` : `${sign}${m} min`;
}

/** 390 -> "6:30". */
export function clock(seconds: number | null | undefined): string {
  if (seconds == null || !Number.isFinite(seconds)) return "–:––";
  const s = Math.floor(Math.abs(seconds));
  const h = Math.floor(s / 3600);
  const mm = Math.floor((s % 3600) / 60);
  const ss = String(s % 60).padStart(2, "0");
  const sign = seconds < 0 ? "−" : "";
  return h ? `${sign}${h}:${String(mm).padStart(2, "0")}:${ss}` : `${sign}${mm}:${ss}`;
}

/** Words of the server, which writes units in plain letters, as print has them: 15 um, -2 degC. */
export function printed(text: string): string {
  return text
    .replace(/\bum\b/g, "µm")
    .replace(/\bug\b/g, "µg")
    .replace(/\bdegC\b/g, "°C")
    .replace(/(^|[\s(])-(?=\d[\d.]*\s?(°C|%))/g, "$1−"); // not in what is to be typed: plate_c = -15
}

/** What a person typed into a number field: decimal comma and true minus are allowed. Null if no number. */
export function parseNumber(text: string): number | null {
  const plain = text.trim().replace("−", "-").replace(",", ".");
  if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain)) return null;
  const value = Number(plain);
  return Number.isFinite(value) ? value : null;
}
