/** What a person chose about the page itself; kept in this browser only. */
import { effect, signal } from "@preact/signals";
import type { Quality, Theme } from "../crystal/viewer";

const asked = new URLSearchParams(location.search);

function stored(key: string, otherwise: string): string {
  try {
    return localStorage.getItem(`icewright.${key}`) ?? otherwise;
  } catch {
    return otherwise; // storage may be forbidden; the page works without
  }
}

function keep(key: string, value: string): void {
  try {
    localStorage.setItem(`icewright.${key}`, value);
  } catch {
    // as above
  }
}

function themeOf(text: string): Theme {
  return text === "light" || text === "red" ? text : "dark";
}

export const theme = signal<Theme>(themeOf(asked.get("theme") ?? stored("theme", "dark")));
export const sound = signal(stored("sound", "off") === "on");
export const hintsSeen = signal(stored("hints", "new") === "seen");
export const quality: Quality = asked.get("quality") === "low" ? "low" : "high";
/** `?draw=off`: meshes arrive and are counted but not drawn, for measuring the link by itself. */
export const drawing = asked.get("draw") !== "off";

effect(() => {
  document.documentElement.dataset.theme = theme.value;
  keep("theme", theme.value);
});
effect(() => keep("sound", sound.value ? "on" : "off"));
effect(() => keep("hints", hintsSeen.value ? "seen" : "new"));
