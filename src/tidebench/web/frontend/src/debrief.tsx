// A run looked at afterwards: what was done, how the patient stood against each limit, and a way that works beside it.
import { useCallback, useEffect, useMemo, useState } from "preact/hooks";
import type uPlot from "uplot";

import { valueAt } from "./detail";
import type { By, Debrief } from "./lessonapi";
import { Plot } from "./plot";
import { colour } from "./theme";
import { capital, clock } from "./words";

type Limit = Debrief["limits"][number];
type Row = Debrief["rows"][number];

/** How the learner is spoken of: to the learner, or to a class that looks at somebody's run. */
interface Whose {
  title: string;
  who: string;
  run: string;
  did: string;
}

const YOURS: Whose = { title: "The run, looked at afterwards", who: "You", run: "your run", did: "what you did" };
const ofSeat = (seat: number): Whose => ({ title: `The run at seat ${seat}, looked at afterwards`, who: "The learner", run: "the learner's run", did: "what the learner did" });

/** The learner's own run; with a seat, that of a learner of the teacher's class. */
export function RunDebrief({ by, step, seat }: { by: By; step: string; seat?: number }) {
  const [told, setTold] = useState<Debrief | null>(null);
  const [problem, setProblem] = useState("");
  const path = `${seat === undefined ? "/class/debrief" : `/lessons/class/debrief/${seat}`}/${encodeURIComponent(step)}`;
  useEffect(() => void by.get<Debrief>(path).then(setTold, (error: Error) => setProblem(error.message)), [by, path]);
  if (problem) return <p class="problem" role="alert">{problem}</p>;
  if (!told) return seat === undefined ? null : <p class="quiet" role="status">The run at seat {seat} is worked out …</p>;
  return <Told told={told} whose={seat === undefined ? YOURS : ofSeat(seat)} />;
}

function Told({ told, whose }: { told: Debrief; whose: Whose }) {
  const names: Record<string, string> = { learner: whose.who, reference: "The reference", patient: "The patient" };
  const [cursor, setCursor] = useState<number | null>(null);
  const [all, setAll] = useState(false);
  const deeds = useMemo(() => told.rows.filter((row) => row.who === "learner"), [told]);
  const rows = all ? told.rows : told.rows.filter((row) => row.who !== "patient");
  return (
    <section class="sheet stack debrief" aria-labelledby="debrief-title">
      <h3 id="debrief-title">{whose.title}</h3>
      <p>{told.said}</p>
      <Ribbons told={told} deeds={deeds} />
      {told.limits.map((limit, i) => <LimitLane key={limit.words} limit={limit} told={told} run={whose.run} deeds={deeds} cursor={cursor} follow={i === 0 ? setCursor : undefined} last={i === told.limits.length - 1} />)}
      <p class="legend">
        <span><svg width="26" height="8" aria-hidden="true"><line x1="0" x2="26" y1="4" y2="4" stroke="var(--ink)" stroke-width="2.2" /></svg>{whose.run}</span>
        <span><svg width="26" height="8" aria-hidden="true"><line x1="0" x2="26" y1="4" y2="4" stroke="var(--red)" stroke-width="2" stroke-dasharray="6 4" /></svg>a way that works: the reference</span>
        <span><i class="swatch" style={{ background: "var(--breath)" }} />inside the limit</span>
        <span>1, 2, … {whose.did}</span>
      </p>
      <div class="scroll">
        <table class="small">
          <caption class="small quiet">What was done, and when; any way that works counts</caption>
          <thead><tr><th scope="col" class="num">at</th><th scope="col">who</th><th scope="col">what</th></tr></thead>
          <tbody>{rows.map((row, i) => <tr key={`${row.at_s} ${row.who} ${i}`}><td class="num">{clock(row.at_s)}</td><td>{names[row.who]}{row.who === "learner" && <b> {deeds.indexOf(row) + 1}</b>}</td><td>{capital(row.text)}</td></tr>)}</tbody>
        </table>
      </div>
      <div class="row"><button class="plain small" aria-pressed={all} onClick={() => setAll(!all)}>{all ? "Only what was done" : "With every crossing of a limit"}</button></div>
      <div class="scroll">
        <table class="small">
          <caption class="small quiet">Time inside each limit, of {clock(told.of_s)}</caption>
          <thead><tr><th scope="col">limit</th><th scope="col" class="num">{whose.who.toLowerCase()}</th><th scope="col" class="num">the reference</th></tr></thead>
          <tbody>{told.limits.map((limit) => <tr key={limit.words}><th scope="row">{capital(limit.words)}</th><td class="num">{clock(limit.inside_s)}</td><td class="num">{clock(limit.reference_inside_s)}</td></tr>)}</tbody>
        </table>
      </div>
    </section>
  );
}

/** When all limits were kept, of both runs, and where something was done. */
function Ribbons({ told, deeds }: { told: Debrief; deeds: Row[] }) {
  const share = (time: number) => `${(100 * time) / told.of_s}%`;
  const ribbon = (spans: [number, number][], kind: string) => <div class={`ribbon ${kind}`}>{spans.map(([from, to]) => <i key={from} style={{ left: share(from), width: share(to - from) }} />)}</div>;
  return (
    <div class="ribbons" role="img" aria-label={told.said}>
      <span class="ribbon-name">All limits kept</span>
      <div class="ribbon-deeds">{deeds.map((row, i) => <b key={i} style={{ left: share(row.at_s) }}>{i + 1}</b>)}{ribbon(told.inside, "yours")}</div>
      <span class="ribbon-name quiet">by the reference</span>
      <div>{ribbon(told.reference_inside, "reference")}</div>
    </div>
  );
}

interface LaneProps {
  limit: Limit;
  told: Debrief;
  run: string;
  deeds: Row[];
  cursor: number | null;
  follow: ((time: number | null) => void) | undefined;
  last: boolean;
}

function LimitLane({ limit, told, run, deeds, cursor, follow, last }: LaneProps) {
  const data = useMemo(() => [told.time_s, limit.reference, limit.yours] as uPlot.AlignedData, [told, limit]);
  const series = useMemo<uPlot.Series[]>(() => [
    { label: "reference", stroke: () => colour("red"), width: 1.6, dash: [6, 4], points: { show: false }, spanGaps: false },
    { label: "yours", stroke: () => colour("ink"), width: 2.2, points: { show: false }, spanGaps: false },
  ], []);
  const under = useCallback((plot: uPlot) => shade(plot, limit, deeds), [limit, deeds]);
  const range = useCallback((_: uPlot, low: number, high: number): [number, number] => around([low, high, limit.least, limit.most]), [limit]);
  const value = cursor === null ? null : valueAt({ time: told.time_s, values: limit.yours }, cursor);
  return (
    <div class="lane">
      <div class="name">
        <b>{capital(limit.label)}</b>
        <div class="quiet">{limit.words.replace(`${limit.label}: `, "")}</div>
        <span class="now">{value === null ? "" : String(Number(value.toFixed(2))).replace("-", "−")}</span>
      </div>
      <Plot label={`${capital(limit.words)}: ${run} and the reference, over the time of the step`} data={data} series={series} from={0} to={told.of_s} height={112 + (last ? 24 : 0)} timeAxis={last} range={range} sync="debrief" under={under} onCursor={follow} />
    </div>
  );
}

/** A range that holds everything that is known, with a margin. */
export function around(values: (number | null)[]): [number, number] {
  const known = values.filter((one): one is number => one !== null && Number.isFinite(one));
  const [low, high] = known.length ? [Math.min(...known), Math.max(...known)] : [0, 1];
  const margin = 0.1 * (high - low || 1);
  return [low - margin, high + margin];
}

function shade(plot: uPlot, limit: Limit, deeds: Row[]): void {
  const { ctx, bbox } = plot;
  const y = (value: number) => Math.min(Math.max(plot.valToPos(value, "y", true), bbox.top), bbox.top + bbox.height);
  const [top, bottom] = [limit.most === null ? bbox.top : y(limit.most), limit.least === null ? bbox.top + bbox.height : y(limit.least)];
  ctx.save();
  ctx.fillStyle = colour("breath");
  ctx.fillRect(bbox.left, top, bbox.width, bottom - top);
  ctx.strokeStyle = colour("blue");
  ctx.lineWidth = devicePixelRatio;
  for (const edge of [limit.most === null ? null : top, limit.least === null ? null : bottom]) {
    if (edge === null) continue;
    ctx.beginPath();
    ctx.moveTo(bbox.left, edge);
    ctx.lineTo(bbox.left + bbox.width, edge);
    ctx.stroke();
  }
  ctx.strokeStyle = colour("edge");
  for (const row of deeds) {
    const x = plot.valToPos(row.at_s, "x", true);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
  }
  ctx.restore();
}
