/** Two side by side: the crystals turned together at one moment and one scale, and the curves on one axis. */
import { useSignal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import uPlot from "uplot";
import type { Frame } from "../api/frames";
import type { View } from "../crystal/viewer";
import { attempt } from "../state/bench";
import { compared, type Side, sides } from "../state/compare";
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

export function CompareDialog() {
  const what = compared.value;
  return (
    <Dialog title="Side by side" open={what !== null} wide onClose={() => (compared.value = null)}>
      {what && <Both key={JSON.stringify(what)} />}
    </Dialog>
  );
}

function Both() {
  const two = useSignal<[Side, Side] | null>(null);
  const meshes = useSignal<[Frame | null, Frame | null]>([null, null]);
  const time = useSignal(0);
  const column = useSignal<Column>("radius_um");
  const view = useSignal<View>("tilted");
  const viewers = useRef<[Viewer | null, Viewer | null]>([null, null]);
  const wanted = useRef(0);

  const show = async (t: number): Promise<void> => {
    const pair = two.value;
    if (!pair) return;
    time.value = t;
    const mine = ++wanted.current;
    await attempt(async () => {
      const got = await Promise.all([pair[0].mesh(t), pair[1].mesh(t)]);
      if (mine === wanted.current) meshes.value = [got[0], got[1]];
    });
  };
  useEffect(() => {
    const what = compared.value;
    if (!what) return;
    void attempt(async () => {
      two.value = await sides(what);
      await show(Math.max(...two.value.flatMap((s) => s.times), 0));
    });
  }, []);

  const pair = two.value;
  if (!pair) return <p>Fetching both.</p>;
  const end = Math.max(...pair.flatMap((s) => s.times), 1);
  const sized = meshes.value.map((m) => (m ? Math.max(m.radius, m.extent / 2) : 0));
  const most = Math.max(...sized);
  return (
    <>
      <div class="tools">
        <Choice
          label="View of both"
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
          <input type="range" min={0} max={end} step={Math.max(1, end / 200)} value={time.value} aria-valuetext={spoken(time.value)} onChange={(e) => void show(Number(e.currentTarget.value))} />
          <span class="value">{spoken(time.value)}</span>
        </label>
      </div>
      <div class="pair">
        {pair.map((side, i) => (
          <figure key={i}>
            <figcaption class={i ? "second" : "first"}>
              {side.name}
              {meshes.value[i] ? `, at ${spoken(meshes.value[i]?.time)}` : ", nothing stored"}
            </figcaption>
            <StillView
              surface={meshes.value[i]}
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
      <Curves pair={pair} column={column.value} />
    </>
  );
}

/** Both on the union of their times; uPlot bridges the gaps of each. */
export function joined(pair: [Side, Side], column: Column): uPlot.AlignedData {
  const tables = pair.map(
    ({ series }) => [series.columns.time_s.map((t) => (t ?? 0) / 60), series.columns[column]] as unknown as uPlot.AlignedData,
  );
  return uPlot.join(tables);
}

function Curves({ pair, column }: { pair: [Side, Side]; column: Column }) {
  const host = useRef<HTMLDivElement>(null);
  const words = COLUMNS.find(([c]) => c === column)?.[1] ?? "";
  useEffect(() => {
    if (!host.current) return;
    const css = getComputedStyle(document.documentElement);
    const colour = (name: string): string => css.getPropertyValue(name).trim();
    const axis = { stroke: colour("--text"), grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line") } };
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
          { label: pair[0].name, stroke: colour("--moist"), width: 2, spanGaps: true },
          { label: pair[1].name, stroke: colour("--warm"), width: 2, dash: [6, 4], spanGaps: true },
        ],
      },
      joined(pair, column),
      host.current,
    );
    const watch = new ResizeObserver(() => host.current && plot.setSize({ width: host.current.clientWidth, height: 220 }));
    watch.observe(host.current);
    return () => {
      watch.disconnect();
      plot.destroy();
    };
  }, [pair, column, theme.value]);
  return <div ref={host} class="plot" role="img" aria-label={`${words} over time of ${pair[0].name} and ${pair[1].name}`} />;
}
