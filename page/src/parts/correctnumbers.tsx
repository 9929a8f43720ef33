/** The numbers of a crystal: as found, as they are now, and which of them hang on a correction. */
import type { MeasuredReading, MeasuredValue } from "../api/types";
import { busy, crystal, touched } from "../state/correct";
import { minus } from "./format";

const UNITS: Record<string, string> = { um: "µm", um2: "µm²", deg: "°" };
const NAMES: Record<string, string> = {
  radius_tip_m: "centre to tips",
  radius_facet_m: "centre to facets",
  radius_max_m: "centre to the farthest point",
  length_m: "length",
  width_m: "width",
  area_m2: "area",
  perimeter_m: "perimeter",
  solidity: "solidity",
  departure: "departure from sixfold",
  angle_rad: "direction of the axes",
  centre_x_m: "centre, to the right",
  centre_y_m: "centre, upwards",
};

const nameOf = (v: MeasuredValue): string => NAMES[v.name] ?? v.name.replace(/_m$/, "").replace("_", " ");

/** As many places as the uncertainty has two digits in. */
export function shown(v: MeasuredValue | undefined): string {
  if (!v) return "not known";
  const places = v.u > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(v.u)))) : 4;
  return `${minus(v.value.toFixed(places))} ± ${v.u.toFixed(places)}`;
}

export function CorrectNumbers() {
  const c = crystal.value;
  if (!c) return <p>Nothing stands out of the background here. "Add an outline" puts one there to be dragged into place.</p>;
  const now = c.now;
  const both = [...new Set([...(now?.values ?? []), ...(c.found?.values ?? [])].map((v) => v.name))];
  const changed = now !== null && (touched(c.by_hand) || now.values.some((v) => v.hangs_on.length > 0));
  const main = both.filter((name) => !/^(arm|facet)_\d/.test(name));
  const arms = both.filter((name) => /^(arm|facet)_\d/.test(name));
  const hung = [...new Set((now?.values ?? []).map((v) => v.hangs_on.join(" and ")))];
  const alike = hung.length === 1 && hung[0] !== ""; // said once, not on every line
  return (
    <section class="panel numbers" aria-labelledby="numbers-title" aria-busy={busy.value > 0}>
      <div class="panel-head">
        <h2 id="numbers-title">Crystal {c.number}, measured</h2>
        {now && <span class={`quality ${now.quality}`}>{c.by_hand.leave_out ? "left out" : now.quality}</span>}
      </div>
      {now?.reasons.map((r) => (
        <p class="caution" key={r}>
          {r}
        </p>
      ))}
      {!now && <p class="caution">The photograph cannot be opened, so nothing can be measured anew.</p>}
      {alike && <p class="by-hand">All of these numbers hang on the {hung[0]} by hand.</p>}
      <Table names={main} now={now} found={c.found} changed={changed} alike={alike} words="Numbers with their standard uncertainties" />
      {now && now.left_out.length > 0 && <p class="aside">This picture does not tell: {now.left_out.join(", ")}.</p>}
      {arms.length > 0 && (
        <details>
          <summary>Each arm and each facet</summary>
          <Table names={arms} now={now} found={c.found} changed={changed} alike={alike} words="Arms and facets, counted against the clock" />
        </details>
      )}
    </section>
  );
}

interface TableProps {
  names: string[];
  now: MeasuredReading | null;
  found: MeasuredReading | null;
  changed: boolean;
  alike: boolean;
  words: string;
}

function Table({ names, now, found, changed, alike, words }: TableProps) {
  if (!names.length) return <p class="aside">No numbers: see why above.</p>;
  return (
    <table class="measured">
      <caption class="unseen">{words}</caption>
      <thead>
        <tr>
          <th scope="col">
            <span class="unseen">number</span>
          </th>
          <th scope="col">{changed ? "now" : "as found"}</th>
          {changed && <th scope="col">as found</th>}
        </tr>
      </thead>
      <tbody>
        {names.map((name) => {
          const a = now?.values.find((v) => v.name === name);
          const b = found?.values.find((v) => v.name === name);
          const v = a ?? b;
          if (!v) return null;
          const hangs = a?.hangs_on ?? [];
          return (
            <tr key={name} class={hangs.length ? "hangs" : ""}>
              <th scope="row" title={v.words}>
                {nameOf(v)}
                {UNITS[v.unit] && <span class="unit">, {UNITS[v.unit]}</span>}
                {hangs.length > 0 && !alike && <span class="by-hand"> by hand: {hangs.join(", ")}</span>}
              </th>
              <td>{shown(a)}</td>
              {changed && <td class="soft">{shown(b)}</td>}
            </tr>
          );
        })}
      </tbody>
    </table>
  );
}
