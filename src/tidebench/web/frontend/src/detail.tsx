// A stretch of the signals: every channel, breaths shaded by phase and marked by how they began, holds labelled.
import { useCallback, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import type uPlot from "uplot";

import { caseUrl, get, signals, stopped, type Breath, type BreathMark, type Finding, type Marks, type Quantity, type Review, type Trace } from "./api";
import { fill, triangle } from "./draw";
import { Plot } from "./plot";
import { say } from "./notices";
import { moved, zoomed, type Stretch } from "./stretch";
import { colour } from "./theme";
import { capital, clock } from "./words";

interface Props {
  name: string;
  review: Review;
  known: { [key: string]: Quantity };
  stretch: Stretch;
  see: (stretch: Stretch) => void;
  breath: Breath | null;
  finding: Finding | null;
  hover: (breath: number) => void;
  pick: (breath: number) => void;
}

interface Shown {
  from: number;
  to: number;
  traces: Trace[];
  marks: Marks;
}

const HOVER_MS = 70;
const LEAST_ROOM_PX = 20; // for a word: narrower breaths aren't measured for one
const GLYPHS: { [trigger: string]: string } = { patient: "▲", machine: "■", "not known": "?" };

export function Detail({ name, review, known, stretch, see, breath, finding, hover, pick }: Props) {
  const [shown, setShown] = useState<Shown | null>(null);
  const [cursor, setCursor] = useState<number | null>(null);
  const way = useRef<AbortController | null>(null);
  const box = useRef<HTMLElement>(null);
  const timer = useRef(0);
  const last = useRef(-1);

  useLayoutEffect(() => {
    way.current?.abort();
    const asked = new AbortController();
    way.current = asked;
    const { from, to } = stretch;
    const points = Math.round(2 * (box.current?.clientWidth ?? 1000));
    Promise.all([signals(name, from, to, points, asked.signal), get<Marks>(`${caseUrl(name)}/marks?from=${from}&to=${to}`, asked.signal)]).then(
      ([traces, marks]) => setShown({ from, to, traces, marks }),
      (error: Error) => stopped(error) || say(error.message),
    );
  }, [name, stretch.from, stretch.to]);

  const under = useCallback((plot: uPlot) => shade(plot, shown?.marks, review, breath, finding), [shown, review, breath, finding]);
  const over = useCallback((plot: uPlot) => begun(plot, shown?.marks), [shown]);
  const at = (time: number) => shown?.marks.breaths?.find((one) => time >= one.start_s && time < one.end_s);
  const follow = (time: number | null) => {
    setCursor(time);
    const found = time === null ? undefined : at(time);
    if (!found || found.breath === last.current) return;
    window.clearTimeout(timer.current);
    timer.current = window.setTimeout(() => {
      last.current = found.breath;
      hover(found.breath);
    }, HOVER_MS);
  };
  const stay = (time: number) => {
    const found = at(time);
    if (!found) return;
    window.clearTimeout(timer.current); // what the cursor asked for on its way comes too late
    last.current = found.breath;
    pick(found.breath);
  };
  const marks = shown?.marks;
  return (
    <section class="sheet strip" aria-labelledby="detail" ref={box}>
      <div class="strip-head">
        <h2 id="detail" class="grow">{clock(stretch.from)} to {clock(stretch.to)}</h2>
        <button aria-label="Move back" onClick={() => see(moved(stretch, -0.5, review.duration_s))}>‹ Back</button>
        <button aria-label="Move on" onClick={() => see(moved(stretch, 0.5, review.duration_s))}>On ›</button>
        <a class="button" href={`#/whatif/${encodeURIComponent(name)}?from=${stretch.from.toFixed(2)}&to=${stretch.to.toFixed(2)}`}>What if, from here?</a>
        <button onClick={() => see(zoomed(stretch, 0.5, review.duration_s))}>Closer <kbd>+</kbd></button>
        <button onClick={() => see(zoomed(stretch, 2, review.duration_s))}>Further <kbd>−</kbd></button>
      </div>
      {shown?.traces.map((trace, i) => (
        <Channel key={trace.key} trace={trace} known={known[trace.key]} shown={shown} first={i === 0} last={i === shown.traces.length - 1}
          cursor={cursor} under={under} over={i === 0 ? over : undefined} follow={follow} see={see}
          pick={stay} />
      ))}
      <p class="legend">
        <span><i class="swatch" style={{ background: "var(--breath)" }} />inspiration</span>
        <span>▲ begun by the patient</span><span>■ begun by the machine</span><span>? not known</span>
        <span><svg width="22" height="8" aria-hidden="true"><line x1="0" x2="22" y1="4" y2="4" stroke="var(--red)" stroke-width="4" /></svg>effort of the patient</span>
        {finding && <span><svg width="22" height="10" aria-hidden="true"><path d="M1 10V1H21V10" fill="none" stroke="var(--ink)" stroke-width="2" /></svg>the chosen finding</span>}
        {marks && marks.holds.length > 0 && <span><i class="swatch" style={{ background: "repeating-linear-gradient(135deg, var(--grey) 0 1px, var(--grey-tint) 1px 5px)" }} />hold</span>}
        {marks && !marks.breaths && <span>too many breaths to mark one by one: look closer</span>}
      </p>
      <p class="hidden" aria-live="polite">{marks?.breaths ? `${marks.breaths.length} breaths, ${marks.holds.length} holds shown` : ""}</p>
    </section>
  );
}

interface ChannelProps {
  trace: Trace;
  known: Quantity | undefined;
  shown: Shown;
  first: boolean;
  last: boolean;
  cursor: number | null;
  under: (plot: uPlot) => void;
  over: ((plot: uPlot) => void) | undefined;
  follow: (time: number | null) => void;
  see: (stretch: Stretch) => void;
  pick: (time: number) => void;
}

function Channel({ trace, known, shown, first, last, cursor, under, over, follow, see, pick }: ChannelProps) {
  const data = useMemo(() => [trace.time, trace.values] as uPlot.AlignedData, [trace]);
  // A line no wider than a pixel is drawn several times as quickly, without a graphics card, as a wider one.
  const series = useMemo<uPlot.Series[]>(() => [{ label: trace.label, stroke: () => colour("ink"), width: 1, points: { show: false }, spanGaps: false }], [trace.label]);
  const value = cursor === null ? null : valueAt(trace, cursor);
  return (
    <div class="lane">
      <div class="name">
        <b>{capital(trace.label)}</b>
        <div class="quiet">{trace.unit}{trace.derived ? ", from flow" : ""}</div>
        <span class="now">{value === null ? "" : value.toFixed(known?.decimals ?? 1).replace("-", "−")}</span>
      </div>
      <Plot label={`${trace.label} from ${clock(shown.from)} to ${clock(shown.to)}`} data={data} series={series} from={shown.from} to={shown.to} height={first ? 200 : last ? 150 : 126} timeAxis={last} sync="detail" headroom={first ? 0.26 : undefined}
        under={under} over={over} onCursor={first ? follow : undefined} onSelect={(from, to) => see({ from, to })} onClick={pick} />
    </div>
  );
}

/** The value that is drawn at a moment. */
export function valueAt(trace: Pick<Trace, "time" | "values">, time: number): number | null {
  let [low, high] = [0, trace.time.length - 1];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (trace.time[middle]! < time) low = middle + 1;
    else high = middle;
  }
  return trace.values[low] ?? null;
}

function shade(plot: uPlot, marks: Marks | undefined, review: Review, breath: Breath | null, finding: Finding | null): void {
  const { ctx, bbox } = plot;
  const x = (time: number) => Math.min(Math.max(plot.valToPos(time, "x", true), bbox.left), bbox.left + bbox.width);
  const block = (from: number, to: number) => ctx.fillRect(x(from), bbox.top, x(to) - x(from), bbox.height);
  ctx.save();
  ctx.fillStyle = colour("breath");
  for (const one of marks?.breaths ?? []) block(one.start_s, one.turn_s);
  if (breath) {
    ctx.fillStyle = colour("chosen");
    block(breath.start_s, breath.turn_s);
    ctx.strokeStyle = colour("blue");
    ctx.lineWidth = 1.5 * devicePixelRatio;
    if (x(breath.end_s) - x(breath.start_s) > 3) ctx.strokeRect(x(breath.start_s), bbox.top, x(breath.end_s) - x(breath.start_s), bbox.height);
  }
  ctx.fillStyle = fill(ctx, "grey", "rising");
  ctx.globalAlpha = 0.45;
  for (const hold of marks?.holds ?? []) block(hold.start_s, hold.end_s);
  ctx.globalAlpha = 1;
  ctx.fillStyle = fill(ctx, "grey", "cross");
  for (const gap of review.gaps) if (x(gap.end_s) > x(gap.start_s)) block(gap.start_s, gap.end_s);
  if (finding && x(finding.end_s) >= x(finding.start_s)) {
    if (finding.end_s >= plot.scales.x!.min! && finding.start_s <= plot.scales.x!.max!) bracket(plot, finding);
  }
  ctx.restore();
}

/** The chosen finding: a bracket over what it spans, open downwards; an end that lies outside has no foot. */
function bracket(plot: uPlot, { start_s, end_s }: Finding): void {
  const { ctx, bbox } = plot;
  const [top, foot] = [bbox.top + devicePixelRatio, bbox.top + 9 * devicePixelRatio];
  const x = (time: number) => plot.valToPos(time, "x", true);
  const [left, right] = [bbox.left, bbox.left + bbox.width];
  const from = x(start_s);
  const to = Math.max(x(end_s), from + 4 * devicePixelRatio);
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 2 * devicePixelRatio;
  ctx.beginPath();
  if (from >= left) ctx.moveTo(from, foot);
  ctx.lineTo(Math.max(from, left), top);
  ctx.lineTo(Math.min(to, right), top);
  if (to <= right) ctx.lineTo(to, foot);
  ctx.stroke();
}

function begun(plot: uPlot, marks: Marks | undefined): void {
  if (!marks) return;
  const { ctx, bbox } = plot;
  const ratio = devicePixelRatio;
  const foot = bbox.top + bbox.height - 7 * ratio;
  const x = (time: number) => plot.valToPos(time, "x", true);
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.font = `${12 * ratio}px 'Source Sans 3 Variable', sans-serif`;
  ctx.textBaseline = "top";
  ctx.textAlign = "left";
  const breaths = marks.breaths ?? [];
  ctx.fillStyle = colour("red");
  for (const effort of marks.efforts) ctx.fillRect(x(effort.start_s), foot + 3 * ratio, Math.max(2, x(effort.end_s) - x(effort.start_s)), 4 * ratio);
  ctx.fillStyle = colour("ink");
  // all breaths get the same words, those that the middling one has room for: a few that are named by chance would mislead
  const room = (one: (typeof breaths)[number]) => x(one.end_s) - x(one.start_s) - 8 * ratio;
  const rooms = breaths.map(room).sort((a, b) => a - b);
  const middling = rooms[Math.floor(rooms.length / 2)] ?? 0;
  const wide = (text: string) => ctx.measureText(text).width;
  const words = middling > LEAST_ROOM_PX * ratio ? [(one: (typeof breaths)[number]) => `${one.delivery}, ${one.passivity}`, (one: (typeof breaths)[number]) => one.passivity].find((say) => Math.max(...breaths.map((one) => wide(say(one)))) < middling) : undefined;
  for (const one of breaths) {
    glyph(ctx, one, x(one.start_s), foot - 3 * ratio, ratio);
    const begins = x(one.start_s);
    if (words && begins >= bbox.left && wide(words(one)) < room(one) + 6 * ratio) ctx.fillText(words(one), begins + 4 * ratio, bbox.top + 5 * ratio);
  }
  for (const hold of marks.holds) ctx.fillText(hold.label, x(hold.start_s) + 3 * ratio, bbox.top + 20 * ratio);
  ctx.restore();
}

function glyph(ctx: CanvasRenderingContext2D, one: BreathMark, x: number, y: number, ratio: number): void {
  if (one.trigger === "patient") triangle(ctx, x, y, 4 * ratio);
  else if (one.trigger === "machine") ctx.fillRect(x - 3 * ratio, y - 3 * ratio, 6 * ratio, 6 * ratio);
  else ctx.fillText(GLYPHS["not known"]!, x - 3 * ratio, y - 6 * ratio);
}
