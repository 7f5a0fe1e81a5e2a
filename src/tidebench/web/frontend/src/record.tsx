// The whole record: what happened along it, quantities breath by breath, and the stretch that is looked at.
import { useMemo, useRef, useState } from "preact/hooks";
import uPlot from "uplot";

import type { Quantity, Review, Series } from "./api";
import { useCanvas } from "./draw";
import { AXIS_PX, Plot, RIGHT_PX } from "./plot";
import type { Spot } from "./review";
import type { Stretch } from "./stretch";
import { colour } from "./theme";
import { capital, clock } from "./words";

const LANES = 6;
const LANE_PX = 18;
const NEAR_PX = 8;
const LONG = 0.005; // of the record: what lasts longer has an extent that can be seen
const INKS = ["ink", "red", "blue", "grey"];
const DASHES = [[], [7, 3], [2, 2], [9, 3, 2, 3]];
const KEPT = "tidebench-panels";

interface Props {
  review: Review;
  known: { [key: string]: Quantity };
  stretch: Stretch;
  see: (stretch: Stretch) => void;
  marked: { [index: string]: string };
  chosen: number | null;
  toFinding: (spot: Spot | undefined) => void;
}

export function Record({ review, stretch, see, marked, chosen, toFinding }: Props) {
  const [shown, setShown] = useState<string[]>(() => panelsKept(review));
  const names = review.panels.map(nameOf);
  const visible = review.panels.filter((panel) => shown.includes(nameOf(panel)));
  const choose = (name: string, on: boolean) => {
    const next = names.filter((one) => (one === name ? on : shown.includes(one)));
    setShown(next);
    localStorage.setItem(KEPT, JSON.stringify(next));
  };
  return (
    <section class="sheet strip" aria-labelledby="record">
      <div class="strip-head">
        <h2 id="record" class="grow">The whole record</h2>
        <span class="small quiet">{clock(review.duration_s)} · drag across it to choose a stretch</span>
        <details class="small">
          <summary>Choose what is shown</summary>
          <div class="row">
            {names.map((name) => (
              <label class="row" key={name}><input type="checkbox" checked={shown.includes(name)} onChange={(event) => choose(name, event.currentTarget.checked)} /> {name}</label>
            ))}
          </div>
        </details>
      </div>
      <Ribbon review={review} stretch={stretch} marked={marked} chosen={chosen} see={see} toFinding={toFinding} />
      <div class="record">
        {visible.map((panel, i) => <Panel key={nameOf(panel)} panel={panel} review={review} timeAxis={i === visible.length - 1} />)}
        <Brush end={review.duration_s} stretch={stretch} see={see} />
      </div>
      {!visible.length && <p class="small quiet">Nothing is chosen to be shown.</p>}
    </section>
  );
}

const nameOf = (panel: Series[]): string => (panel.length > 2 ? "pressures" : panel.length > 1 ? "resistances" : panel[0]!.label);

function panelsKept(review: Review): string[] {
  const names = review.panels.map(nameOf);
  try {
    const kept = JSON.parse(localStorage.getItem(KEPT) ?? "null") as string[] | null;
    if (kept?.some((name) => names.includes(name))) return kept;
  } catch {
    localStorage.removeItem(KEPT);
  }
  return names.slice(0, 3);
}

// --- what happened ---------------------------------------------------------------------------------------------------

function Ribbon({ review, stretch, marked, chosen, see, toFinding }: Omit<Props, "known">) {
  const [changes, others] = useMemo(() => {
    const found = (settings: boolean) => review.happenings.filter((one) => (one.kind === "settings") === settings);
    const shape = (kind: string) => (kind === "settings" ? "square" : kind.endsWith("hold") ? "bar" : "circle");
    return [found(true), found(false)].map((all) => all.map((one): LaneMark => ({ at: one.at_s, shape: shape(one.kind), words: one.text || one.kind }))) as [LaneMark[], LaneMark[]];
  }, [review]);
  const about = (at: number) => see({ from: at - (stretch.to - stretch.from) / 2, to: at + (stretch.to - stretch.from) / 2 });
  const rest = review.kinds.slice(LANES);
  const lanes = useMemo(
    () =>
      review.kinds.slice(0, LANES).map((kind) => ({
        kind,
        marks: kind.starts_s.map((at, i): LaneMark => ({ at, to: kind.ends_s[i], shape: "tick", words: kind.label, state: marked[kind.index[i]!] })),
      })),
    [review, marked],
  );
  const [restSpots, restMarks] = useMemo(() => {
    const found = rest.flatMap((kind) => kind.index.map((index, i) => ({ index, kind: kind.kind, start: kind.starts_s[i]!, end: kind.ends_s[i]!, breath: kind.breaths[i] ?? null })));
    return [found, found.map((spot): LaneMark => ({ at: spot.start, to: spot.end, shape: "tick", words: spot.kind.replaceAll("-", " "), state: marked[spot.index] }))];
  }, [review, marked]);
  return (
    <div>
      {changes.length > 0 && (
        <Lane label="Settings changes" marks={changes} {...{ review, stretch }} pick={(i) => about(changes[i]!.at)} />
      )}
      {others.length > 0 && (
        <Lane label="Holds and log" marks={others} {...{ review, stretch }} pick={(i) => about(others[i]!.at)} />
      )}
      {lanes.map(({ kind, marks }) => (
        <Lane key={kind.kind} label={capital(kind.label)} count={kind.count} {...{ review, stretch, marks }} here={marks[chosen === null ? -1 : kind.index.indexOf(chosen)]}
          pick={(i) => toFinding({ index: kind.index[i]!, kind: kind.kind, start: kind.starts_s[i]!, breath: kind.breaths[i] ?? null })} />
      ))}
      {restSpots.length > 0 && (
        <Lane label={`${rest.length} other ${rest.length === 1 ? "kind" : "kinds"}`} count={restSpots.length} {...{ review, stretch }}
          marks={restMarks} here={restMarks[restSpots.findIndex((spot) => spot.index === chosen)]}
          pick={(i) => toFinding(restSpots[i])} />
      )}
    </div>
  );
}

export interface LaneMark {
  at: number;
  to?: number;
  shape: string;
  words: string;
  state?: string;
}

interface LaneProps {
  label: string;
  count?: number;
  marks: LaneMark[];
  here?: LaneMark;
  review: Review;
  stretch: Stretch;
  pick: (index: number) => void;
}

/** Marks on a canvas of their own; what moves, the stretch and the chosen mark, lies under and over it. */
function Lane({ label, count, marks, here, review, stretch, pick }: LaneProps) {
  const end = review.duration_s;
  const [words, setWords] = useState("");
  const canvas = useCanvas(
    (ctx, width, height) => {
      const x = (at: number) => AXIS_PX + (at / end) * (width - AXIS_PX - RIGHT_PX);
      for (const mark of marks) if (isLong(mark, end)) stretchOut(ctx, mark, x(mark.at), x(mark.to!), height);
      for (const mark of marks) paint(ctx, mark, x(mark.at), height);
    },
    [marks, end],
  );
  const share = (at: number) => `${(100 * at) / end}%`;
  const nearest = (event: MouseEvent): number => {
    const box = (event.currentTarget as HTMLElement).getBoundingClientRect();
    const wide = box.width - AXIS_PX - RIGHT_PX;
    const at = ((event.clientX - box.left - AXIS_PX) / wide) * end;
    return pointed(marks, at, (NEAR_PX / wide) * end);
  };
  const told = `${label}: ${marks.length}${marks.length && marks.length <= 12 ? `, at ${marks.map((mark) => when(mark, end)).join(", ")}` : ""}`;
  return (
    <div class="lane">
      <span class="name">{label}{count !== undefined && <b> {count}</b>}</span>
      <div class="track">
        <div class="well"><div style={{ left: share(stretch.from), width: share(stretch.to - stretch.from) }} /></div>
        <canvas ref={canvas} role="img" aria-label={told} title={words} style={{ height: `${LANE_PX}px`, cursor: words ? "pointer" : "default" }}
          onMouseMove={(event) => { const i = nearest(event); setWords(i < 0 ? "" : `${when(marks[i]!, end)}: ${marks[i]!.words}`); }}
          onClick={(event) => { const i = nearest(event); if (i >= 0) pick(i); }} />
        {here && <div class="here"><div style={{ left: share(here.at), width: isLong(here, end) ? share(here.to! - here.at) : undefined }} /></div>}
      </div>
    </div>
  );
}

const isLong = (mark: LaneMark, end: number): boolean => mark.to !== undefined && mark.to - mark.at > LONG * end;
const when = (mark: LaneMark, end: number): string => (isLong(mark, end) ? `${clock(mark.at)} to ${clock(mark.to!)}` : clock(mark.at));

/** The mark whose beginning lies nearest a moment; where none is near, the latest that began before it and still lasts; or −1. */
export function pointed(marks: LaneMark[], at: number, near: number): number {
  let [best, far, lasting] = [-1, near, -1];
  marks.forEach((mark, i) => {
    if (Math.abs(mark.at - at) <= far) [best, far] = [i, Math.abs(mark.at - at)];
    if (mark.at <= at && at <= (mark.to ?? mark.at) && mark.at >= (marks[lasting]?.at ?? -Infinity)) lasting = i;
  });
  return best < 0 ? lasting : best;
}

/** How long a mark lasts: a pale bar behind its beginning. */
function stretchOut(ctx: CanvasRenderingContext2D, mark: LaneMark, from: number, to: number, height: number): void {
  const half = mark.state === "rejected" ? 1 : 3;
  ctx.globalAlpha = 0.4;
  ctx.fillStyle = colour(mark.state === "rejected" ? "grey" : "ink");
  ctx.fillRect(from, height / 2 - half, to - from, 2 * half);
  ctx.globalAlpha = 1;
}

/** Not yet marked: full height. Confirmed: with a foot. Rejected: short and pale. Unsure: upper half. */
function paint(ctx: CanvasRenderingContext2D, mark: LaneMark, x: number, height: number): void {
  ctx.fillStyle = ctx.strokeStyle = colour(mark.state === "rejected" ? "grey" : "ink");
  ctx.lineWidth = 1.4;
  const middle = height / 2;
  if (mark.shape === "square") ctx.fillRect(x - 3.5, middle - 3.5, 7, 7);
  else if (mark.shape === "circle") {
    ctx.beginPath();
    ctx.arc(x, middle, 3.5, 0, 7);
    ctx.stroke();
  } else if (mark.shape === "bar") ctx.fillRect(x - 4, middle - 1.5, 8, 3);
  else {
    const [top, foot] = mark.state === "rejected" ? [middle - 2, middle + 2] : mark.state === "unsure" ? [2, middle] : [2, height - 2];
    ctx.fillRect(x - 0.6, top, 1.2, foot - top);
    if (mark.state === "confirmed") ctx.fillRect(x - 2.5, height - 5, 5, 3);
  }
}

// --- quantities ------------------------------------------------------------------------------------------------------

function Panel({ panel, review, timeAxis }: { panel: Series[]; review: Review; timeAxis: boolean }) {
  const binned = panel[0]!.low.length > 0;
  const { data, series, bands } = useMemo(() => drawn(panel, binned), [panel, binned]);
  const range = useMemo(() => usual(panel), [panel]);
  const label = panel.map((one) => `${one.label} [${one.unit}]`).join(", ");
  return (
    <div class="lane">
      <div class="name">
        {panel.map((one, i) => <div key={one.key}><Line index={i} /> <b>{capital(one.label)}</b></div>)}
        <span class="quiet">{panel[0]!.unit}{binned ? ", median and 5th to 95th percentile" : ""}</span>
      </div>
      <Plot label={`${label} along the whole record; the numbers stand under Numbers`} data={data} series={series} bands={bands} from={0} to={review.duration_s} height={panel.length > 2 ? 104 : timeAxis ? 88 : 66} timeAxis={timeAxis} sync="record" range={range} />
    </div>
  );
}

export function Line({ index }: { index: number }) {
  return (
    <svg width="22" height="8" aria-hidden="true"><line x1="0" x2="22" y1="4" y2="4" stroke={`var(--${INKS[index % 4]})`} stroke-width="2" stroke-dasharray={DASHES[index % 4]!.join(" ")} /></svg>
  );
}

/** An axis that holds what is usual, so that a cough doesn't flatten the rest. */
function usual(panel: Series[]): uPlot.Scale.Range {
  const values = panel.flatMap((one) => [...one.median, ...one.low, ...one.high]).filter((value): value is number => value !== null).sort((a, b) => a - b);
  const [low, high] = [values[Math.floor(0.005 * values.length)] ?? 0, values[Math.ceil(0.995 * values.length) - 1] ?? 1];
  const spare = Math.max(0.15 * (high - low), 0.1 * Math.abs(high), 1e-6);
  return [low >= 0 && low < 0.5 * high ? 0 : low - spare, high + spare] as unknown as uPlot.Scale.Range;
}

function drawn(panel: Series[], binned: boolean) {
  const tables: uPlot.AlignedData[] = [];
  const series: uPlot.Series[] = [];
  const bands: uPlot.Band[] = [];
  panel.forEach((one, i) => {
    const times = one.time_s.map((time, k) => time ?? between(one.time_s, k));
    tables.push([times, one.median, ...(binned ? [one.low, one.high] : [])] as uPlot.AlignedData);
    const ink = () => colour(INKS[i % 4]!);
    const at = series.length + 1;
    series.push({ label: one.label, stroke: ink, width: 1.3, dash: DASHES[i % 4], points: { show: !binned && one.time_s.length < 400, size: 3.5, fill: ink, width: 0 } });
    if (binned) {
      series.push({ label: `${one.label}, 5th`, stroke: "transparent", width: 0, points: { show: false } }, { label: `${one.label}, 95th`, stroke: "transparent", width: 0, points: { show: false } });
      bands.push({ series: [at + 2, at + 1], fill: () => `color-mix(in srgb, ${colour(INKS[i % 4]!)} 18%, transparent)` });
    }
  });
  return { data: uPlot.join(tables, tables.map((table) => table.map(() => 2))) as uPlot.AlignedData, series, bands };
}

const between = (times: (number | null)[], at: number): number => ((times[at - 1] ?? 0) + (times[at + 1] ?? times[at - 1] ?? 0)) / 2;

// --- the stretch that is looked at -----------------------------------------------------------------------------------

function Brush({ end, stretch, see }: { end: number; stretch: Stretch; see: (stretch: Stretch) => void }) {
  const box = useRef<HTMLDivElement>(null);
  const drag = useRef<{ way: "new" | "move" | "from" | "to"; at: number; was: Stretch } | null>(null);
  const time = (event: PointerEvent) => {
    const edges = box.current!.getBoundingClientRect();
    return Math.min(Math.max((event.clientX - edges.left) / edges.width, 0), 1) * end;
  };
  const down = (event: PointerEvent) => {
    box.current!.setPointerCapture(event.pointerId);
    const at = time(event);
    const near = (NEAR_PX / box.current!.clientWidth) * end;
    const [toFrom, toTo] = [Math.abs(at - stretch.from), Math.abs(at - stretch.to)];
    const edge = Math.min(toFrom, toTo) <= near && stretch.to - stretch.from > 3 * near;
    const whole = stretch.to - stretch.from > 0.9 * end;
    const way = whole ? "new" : edge ? (toFrom < toTo ? "from" : "to") : at >= stretch.from && at <= stretch.to ? "move" : "new";
    drag.current = { way, at, was: stretch };
  };
  const move = (event: PointerEvent) => {
    const held = drag.current;
    if (!held) return;
    const at = time(event);
    const { from, to } = held.was;
    if (held.way === "move") see({ from: from + at - held.at, to: to + at - held.at });
    else if (held.way === "new") see({ from: Math.min(at, held.at), to: Math.max(at, held.at) });
    else see(held.way === "from" ? { from: Math.min(at, to - 1), to } : { from, to: Math.max(at, from + 1) });
  };
  const up = (event: PointerEvent) => {
    const held = drag.current;
    drag.current = null;
    if (!held || held.way !== "new" || Math.abs(time(event) - held.at) > 0.004 * end) return;
    const half = (held.was.to - held.was.from) / 2;
    see({ from: held.at - half, to: held.at + half });
  };
  const share = (at: number) => `${(100 * at) / end}%`;
  return (
    <div class="brush" ref={box} onPointerDown={down} onPointerMove={move} onPointerUp={up} onPointerCancel={() => (drag.current = null)}>
      <div class="seen" style={{ left: share(stretch.from), width: share(stretch.to - stretch.from) }} />
      <span class="hidden" role="status">{`Looking at ${clock(stretch.from)} to ${clock(stretch.to)}`}</span>
    </div>
  );
}
