/** The settings of an apparatus as knobs, and how far the air in the chamber still is from what was set. */
import type { Air, Apparatus, Chamber } from "../api/types";
import { setup, type TurnBody } from "../state/bench";
import { celsius, minus, percent, printed, spoken } from "./format";
import { Knob } from "./knob";

const UNITS: Record<string, string> = { degC: "°C", um: "µm" };
export const shownUnit = (unit: string): string => UNITS[unit] ?? unit;
export const placesOf = (step: number): number => (step > 0 ? Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)) : 3);

interface KnobsProps {
  apparatus: Apparatus;
  chamber: Chamber | null;
  set: Record<string, number> | undefined;
  live: boolean;
  onTurn: (body: TurnBody) => void;
}

export function SettingKnobs({ apparatus, chamber, set, live, onTurn }: KnobsProps) {
  return (
    <>
      <p class="aside" title={apparatus.lags.join("\n")}>
        {apparatus.title}
      </p>
      {apparatus.knobs.map((k) => (
        <Knob
          key={k.name}
          name={capital(k.label)}
          about={k.words}
          unit={shownUnit(k.unit)}
          value={set?.[k.name] ?? chamber?.settings[k.name] ?? k.low}
          low={k.low}
          high={k.high}
          step={k.step || (k.high - k.low) / 100}
          places={placesOf(k.step)}
          tone={k.unit === "degC" ? "warm" : "moist"}
          live={live}
          onTurn={(v) => onTurn({ settings: { [k.name]: v } })}
        />
      ))}
    </>
  );
}

/** What is set, what the crystal has, and the difference: beside the knobs, always. */
export function ChamberGap({ chamber, now }: { chamber: Chamber; now: Air }) {
  const close = Math.abs(chamber.off_temperature_k) < 0.02 && Math.abs(chamber.off_sigma_percent) < 0.05;
  const left = chamber.settles_in_s;
  const signed = (v: number, places: number): string => (v > 0 ? "+" : "") + minus(v.toFixed(places));
  return (
    <div class="gap">
      <table aria-label="Set air, and the air in the chamber">
        <thead>
          <tr>
            <td />
            <th scope="col">set</th>
            <th scope="col">chamber</th>
            <th scope="col">still off</th>
          </tr>
        </thead>
        <tbody>
          <tr class="warm">
            <th scope="row">air</th>
            <td>{celsius(chamber.set_temperature_c)}</td>
            <td>{celsius(now.temperature_c)}</td>
            <td>{signed(chamber.off_temperature_k, 2)} K</td>
          </tr>
          <tr class="moist">
            <th scope="row">over ice</th>
            <td>{percent(chamber.set_sigma_percent)}</td>
            <td>{percent(now.sigma_percent)}</td>
            <td>{signed(chamber.off_sigma_percent, 2)} %</td>
          </tr>
        </tbody>
      </table>
      {chamber.set_above_water && <p class="caution">What is set lies above water saturation: fog droplets will form.</p>}
      <p class={close ? "aside" : "actual"}>
        {close ? "The air is where it was set." : left ? `The air settles in about ${spoken(left)}.` : "The air is on its way."}
      </p>
    </div>
  );
}

/** What the way of holding and the apparatus imply for the people beside them. */
export function Cautions() {
  const s = setup.value;
  if (!s) return null;
  const own = s.apparatus?.cautions ?? [];
  return (
    <>
      {s.cautions.map((text) => (
        <p class="caution" key={text}>
          <strong>Caution:</strong> {printed(text)}
        </p>
      ))}
      {own.length > 0 && (
        <details class="cautions" open>
          <summary>Cautions of this apparatus</summary>
          {own.map((text) => (
            <p class="caution" key={text}>
              {printed(text)}
            </p>
          ))}
        </details>
      )}
    </>
  );
}

export const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1);
