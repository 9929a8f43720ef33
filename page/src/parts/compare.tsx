/** Some side by side: the crystals turned together at one moment and one scale, and the curves on one axis. */
import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import uPlot from "uplot";
import { ask } from "../api/client";
import type { Frame } from "../api/frames";
import type { Measured, MeasuredBrief } from "../api/types";
import type { View } from "../crystal/viewer";
import { attempt, tree } from "../state/bench";
import { compared, type Compared, measured, MOST, type Side, sides, toggled } from "../state/compare";
import { theme } from "../state/prefs";
import { Choice, StillView } from "./crystal";
import { Dialog } from "./dialog";
import { spoken } from "./format";
import type { Viewer } from "../crystal/viewer";

type Column = "radius_um" | "thickness_um" | "mass_ug" | "temperature_c" | "sigma_percent";
const COLUMNS: [Column, string][] = [
  ["radius_um", "Radius, µm"],
  ["thickness_um", "Thickness, µm"],
  ["mass_ug", "Mass, µg"],
  ["temperature_c", "Temperature, °C"],
  ["sigma_percent", "Supersaturation, %"],
];

/** Line and colour of each: in the red theme the lines alone tell them apart. */
const LINES: [string, number[]][] = [
  ["--moist", []],
  ["--warm", [6, 4]],
  ["--size", [2, 3]],
  ["--text", [12, 4]],
  ["--caution", [10, 3, 2, 3]],
  ["--soft", [1, 4]],
];

export function CompareDialog() {
  const what = compared.value;
  return (
    <Dialog title="Side by side" open={what !== null} wide onClose={() => (compared.value = null)}>
      {what && <More what={what} />}
      {what && <Beside />}
      {what && <All key={JSON.stringify(what)} />}
    </Dialog>
  );
}

/** Which paths are shown; runs are chosen on their own page. */
function More({ what }: { what: Compared }) {
  const branches = tree.value?.branches ?? [];
  if (what.kind !== "paths" || branches.length < 3) return null;
  return (
    <fieldset class="line picks">
      <legend class="unseen">Paths shown</legend>
      {branches.map((b) => (
        <label class="choice" key={b.number}>
          <input
            type="checkbox"
            checked={what.of.includes(b.number)}
            disabled={what.of.length >= MOST && !what.of.includes(b.number)}
            onChange={() => (compared.value = toggled(what, b.number))}
          />
          <span>{b.name}</span>
        </label>
      ))}
    </fieldset>
  );
}

/** Growth series of the folder, measured on pictures, whose points can be laid on the same axis. */
function Beside() {
  const list = useSignal<MeasuredBrief[]>([]);
  useEffect(() => {
    void attempt(async () => {
      list.value = await ask<MeasuredBrief[]>("measured");
    });
  }, []);
  const all = list.value.flatMap((b) => b.crystals.map((crystal) => ({ name: b.name, crystal })));
  if (!all.length) return null;
  const shown = (name: string, crystal: number): boolean => measured.value.some((m) => m.name === name && m.crystal === crystal);
  const toggle = (name: string, crystal: number): void => {
    if (shown(name, crystal)) {
      measured.value = measured.value.filter((m) => m.name !== name || m.crystal !== crystal);
      return;
    }
    void attempt(async () => {
      const got = await ask<Measured>(`measured/${encodeURIComponent(name)}?crystal=${crystal}`);
      measured.value = [...measured.value, got].slice(-MOST);
    });
  };
  return (
    <fieldset class="line picks">
      <legend class="unseen">Measured series</legend>
      <span>Measured:</span>
      {all.map(({ name, crystal }) => (
        <label class="choice" key={`${name} ${crystal}`}>
          <input type="checkbox" checked={shown(name, crystal)} onChange={() => toggle(name, crystal)} />
          <span>{measuredName(name, crystal)}</span>
        </label>
      ))}
    </fieldset>
  );
}

const measuredName = (name: string, crystal: number, corrected = 0): string =>
  `${name.replace(/\.csv$/, "").replace(/~growth-series$/, "").replaceAll("~", " / ")}, crystal ${crystal}${corrected ? ", corrected by hand" : ""}`;

function All() {
  const fetched = useSignal<Side[] | null>(null);
  const meshes = useSignal<(Frame | null)[]>([]);
  const time = useSignal(0);
  const column = useSignal<Column>("radius_um");
  const view = useSignal<View>("tilted");
  const viewers = useRef<(Viewer | null)[]>([]);
  const wanted = useRef(0);

  const show = async (t: number): Promise<void> => {
    const all = fetched.value;
    if (!all) return;
    time.value = t;
    const mine = ++wanted.current;
    await attempt(async () => {
      const got = await Promise.all(all.map((side) => side.mesh(t)));
      if (mine === wanted.current) meshes.value = got;
    });
  };
  useEffect(() => {
    const what = compared.value;
    if (!what) return;
    void attempt(async () => {
      fetched.value = await sides(what);
      await show(Math.max(...fetched.value.flatMap((s) => s.times), 0));
    });
  }, []);

  const all = fetched.value;
  if (!all) return <p>Fetching them.</p>;
  const end = Math.max(...all.flatMap((s) => s.times), 1);
  const most = Math.max(...meshes.value.map((m) => (m ? Math.max(m.radius, m.extent / 2) : 0)));
  return (
    <>
      <div class="tools">
        <Choice
          label="View of all"
          all={[
            ["plan", "Plan"],
            ["side", "Side"],
            ["tilted", "Tilted"],
          ]}
          value={view.value}
          onChoose={(v) => {
            view.value = v;
            for (const w of viewers.current) w?.look(v);
          }}
        />
        <label class="line moment">
          <span>Moment</span>
          <input type="range" min={0} max={end} step="any" value={time.value} aria-valuetext={spoken(time.value)} onChange={(e) => void show(Number(e.currentTarget.value))} />
          <span class="value">{spoken(time.value)}</span>
        </label>
      </div>
      <div class="pair">
        {all.map((side, i) => (
          <figure key={i}>
            <figcaption style={{ borderLeft: `5px ${LINES[i][1].length ? "dashed" : "solid"} var(${LINES[i][0]})` }}>
              {side.name}
              {meshes.value[i] ? `, at ${spoken(meshes.value[i]?.time)}` : ", nothing stored"}
            </figcaption>
            <StillView
              surface={meshes.value[i] ?? null}
              reach={most}
              label={`Crystal of ${side.name}`}
              onViewer={(v) => {
                viewers.current[i] = v;
              }}
            />
          </figure>
        ))}
      </div>
      <Choice label="Curves of" all={COLUMNS} value={column.value} onChoose={(c) => (column.value = c)} />
      <Curves all={all} points={measured.value} column={column.value} />
    </>
  );
}

/** All on the union of their times; uPlot bridges the gaps of each. */
export function joined(all: { series: { columns: Record<string, (number | null)[]> } }[], column: Column): uPlot.AlignedData {
  const tables = all.map(({ series: { columns: c } }) => {
    const values = c[column] ?? c.time_s.map(() => null); // a measured series has sizes alone
    return [c.time_s.map((t) => (t ?? 0) / 60), values] as unknown as uPlot.AlignedData;
  });
  return uPlot.join(tables);
}

/** Standard uncertainties as bars about measured points. */
function bars(points: Measured[], column: Column, colours: string[]): (plot: uPlot) => void {
  return (plot) => {
    const pen = plot.ctx;
    pen.save();
    pen.lineWidth = 1.5 * devicePixelRatio;
    points.forEach(({ columns: c }, k) => {
      pen.strokeStyle = colours[k];
      pen.beginPath();
      c.time_s.forEach((t, i) => {
        const [v, u] = [c[column]?.[i], c[`u_${column}`]?.[i]];
        if (t == null || v == null || u == null) return;
        const x = plot.valToPos(t / 60, "x", true);
        pen.moveTo(x, plot.valToPos(v - u, "y", true));
        pen.lineTo(x, plot.valToPos(v + u, "y", true));
      });
      pen.stroke();
    });
    pen.restore();
  };
}

function Curves({ all, points, column }: { all: Side[]; points: Measured[]; column: Column }) {
  const host = useRef<HTMLDivElement>(null);
  const words = COLUMNS.find(([c]) => c === column)?.[1] ?? "";
  useEffect(() => {
    if (!host.current) return;
    const css = getComputedStyle(document.documentElement);
    const colour = (name: string): string => css.getPropertyValue(name).trim();
    const axis = { stroke: colour("--text"), grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line") } };
    const tones = points.map((_, i) => colour(LINES[(all.length + i) % LINES.length][0]));
    const plot = new uPlot(
      {
        width: host.current.clientWidth,
        height: 220,
        scales: { x: { time: false } },
        axes: [
          { ...axis, label: "minutes", labelSize: 20 },
          { ...axis, label: words, labelSize: 20, size: 60 },
        ],
        series: [
          { label: "min" },
          ...all.map((side, i) => ({ label: side.name, stroke: colour(LINES[i][0]), width: 2, dash: LINES[i][1], spanGaps: true })),
          ...points.map((m, i) => ({
            label: measuredName(m.name, m.crystal, m.corrected),
            stroke: tones[i],
            paths: () => null, // points alone: between pictures nobody looked
            points: { show: true, size: 7, fill: colour("--panel"), stroke: tones[i], width: 2 },
          })),
        ],
        hooks: { draw: [bars(points, column, tones)] },
      },
      joined([...all, ...points.map((m) => ({ series: m }))], column),
      host.current,
    );
    const watch = new ResizeObserver(() => host.current && plot.setSize({ width: host.current.clientWidth, height: 220 }));
    watch.observe(host.current);
    return () => {
      watch.disconnect();
      plot.destroy();
    };
  }, [all, points, column, theme.value]);
  return <div ref={host} class="plot" role="img" aria-label={`${words} over time of ${[...all.map((s) => s.name), ...points.map((m) => measuredName(m.name, m.crystal, m.corrected))].join(" and ")}`} />;
}
