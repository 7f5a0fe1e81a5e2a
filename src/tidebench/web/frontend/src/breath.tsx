// One breath: where its pressure went, its loops, its numbers.
import { useState } from "preact/hooks";

import type { Account, Breath, Loop, Quantity } from "./api";
import { Ask } from "./ask";
import { fill, ticks, useCanvas, type Pattern } from "./draw";
import { colour } from "./theme";
import { capital } from "./words";

interface Props {
  breath: Breath | null;
  known: { [key: string]: Quantity };
  last: number;
  to: (index: number) => void;
}

export const PARTS: [key: "start" | "elastic" | "resistive" | "muscle", letter: string, name: string, pattern: Pattern, words: string][] = [
  ["start", "A", "grey", "plain", "there at the start: total PEEP"],
  ["elastic", "B", "blue", "rising", "taken by lung and chest wall (elastic)"],
  ["resistive", "C", "yellow", "dots", "taken by tube and airways (resistive)"],
  ["muscle", "D", "red", "falling", "given by the patient's muscles"],
];

export function BreathPanel({ breath, known, last, to }: Props) {
  if (!breath) return <p class="quiet">Move over the signals, or press → for the first breath.</p>;
  const { account } = breath;
  const measured = breath.numbers.filter((one) => !one.reason);
  const missing = breath.numbers.filter((one) => one.reason);
  return (
    <>
      <div class="row">
        <h2 class="grow">{capital(breath.heading)}</h2>
        <button aria-label="Previous breath" disabled={breath.breath <= 0} onClick={() => to(breath.breath - 1)}>←</button>
        <button aria-label="Next breath" disabled={breath.breath >= last} onClick={() => to(breath.breath + 1)}>→</button>
      </div>
      <section aria-labelledby="account">
        <h3 id="account">Where the pressure went <span class="small quiet">cmH2O over s</span></h3>
        {account ? <AccountPicture account={account} breath={breath} /> : <p class="small">{breath.no_account}</p>}
      </section>
      <section aria-labelledby="loops">
        <h3 id="loops">Loops <span class="small quiet">earlier breaths, paler</span></h3>
        <div class="loops">
          <Loops loops={breath.loops} x="pressure_cmh2o" y="volume_ml" words="volume [mL] over pressure [cmH2O]" />
          <Loops loops={breath.loops} x="volume_ml" y="flow_l_min" words="flow [L/min] over volume [mL]" />
        </div>
      </section>
      <section aria-labelledby="breath-numbers">
        <h3 id="breath-numbers">Its numbers</h3>
        <ul class="numbers">{measured.map((one) => <Ask key={one.key} label={one.label} value={one.value} quantity={known[one.key]} from="this breath" />)}</ul>
        {missing.length > 0 && (
          <details class="small" style={{ marginTop: "0.5rem" }}>
            <summary>{missing.length} can't be told of this breath, and why</summary>
            <ul class="numbers">{missing.map((one) => <Ask key={one.key} label={one.label} value="–" reason={one.reason} quantity={known[one.key]} />)}</ul>
          </details>
        )}
      </section>
    </>
  );
}

function AccountPicture({ account, breath }: { account: Account; breath: Breath }) {
  const gives = account.muscle.some((value) => value > 0.05);
  const parts = PARTS.filter(([key]) => key !== "muscle" || gives);
  const canvas = useCanvas((ctx, width, height) => paintAccount(ctx, width, height, account), [account]);
  return (
    <>
      <canvas class="account" ref={canvas} role="img" aria-label={`Pressure account of ${breath.heading}. The table below holds its parts at three moments.`} />
      <dl class="letters">
        {parts.map(([key, letter, name, pattern, words]) => (
          <><dt>{letter}</dt><dd key={key}><Swatch name={name} pattern={pattern} />{words}</dd></>
        ))}
        <dt>━</dt><dd>measured airway pressure; beneath it in grey what the model leaves over ({account.unexplained} root mean square)</dd>
      </dl>
      <p class="small quiet">Mechanics from {account.mechanics_from}.</p>
      <div class="scroll">
        <table class="small">
          <caption class="small quiet" style={{ textAlign: "left" }}>The account at three moments, cmH2O</caption>
          <thead>
            <tr><th scope="col">at</th><th scope="col" class="num">pressure</th>{parts.map(([key, letter]) => <th key={key} scope="col" class="num">{letter}</th>)}<th scope="col" class="num">left over</th></tr>
          </thead>
          <tbody>
            {breath.instants.map((one) => (
              <tr key={one.name}><th scope="row">{one.name}, {one.after}</th><td class="num">{one.pressure}</td>{parts.map(([key]) => <td key={key} class="num">{one[key]}</td>)}<td class="num">{one.unexplained}</td></tr>
            ))}
          </tbody>
        </table>
      </div>
    </>
  );
}

export function Swatch({ name, pattern }: { name: string; pattern: Pattern }) {
  const canvas = useCanvas((ctx, width, height) => {
    ctx.fillStyle = fill(ctx, name, pattern);
    ctx.fillRect(0, 0, width, height);
  }, [name]);
  return <canvas class="swatch" ref={canvas} aria-hidden="true" />;
}

export const LEFT = 34;
export const FOOT = 22;
const REST = 30;

/** Bands under the measured curve: pressure = A + B + C − D + what is left over. */
export function paintAccount(ctx: CanvasRenderingContext2D, width: number, height: number, account: Account): void {
  const time = account.time_s;
  const n = time.length;
  const recoil = account.elastic.map((value) => account.start + value);
  const all = recoil.map((value, i) => value + account.resistive[i]!);
  const high = Math.max(...account.pressure, ...all, ...recoil, 1) * 1.05;
  const low = Math.min(...account.pressure, ...all, ...recoil, 0);
  const floor = low < 0 ? low * 1.1 : 0;
  const [top, bottom] = [8, height - FOOT - REST];
  const x = (t: number) => LEFT + (t / (time[n - 1] || 1)) * (width - LEFT - 6);
  const y = (p: number) => bottom - ((p - floor) / (high - floor)) * (bottom - top);
  axes(ctx, { width, left: LEFT, top, bottom, xTicks: ticks(0, time[n - 1] ?? 1, 5), yTicks: ticks(floor, high, 5), x, y, foot: height - FOOT });
  const base = all.map(() => 0);
  const start = all.map(() => account.start);
  const net = all.map((value, i) => value - account.muscle[i]!);
  band(ctx, time, base, start, x, y, fill(ctx, "grey", "plain"));
  band(ctx, time, start, recoil, x, y, fill(ctx, "blue", "rising"));
  band(ctx, time, recoil, all, x, y, fill(ctx, "yellow", "dots"));
  if (account.muscle.some((value) => value > 0.05)) band(ctx, time, net, all, x, y, fill(ctx, "red", "falling"));
  line(ctx, time, recoil, x, y, colour("blue"), 1.2, [5, 3]);
  line(ctx, time, account.pressure, x, y, colour("ink"), 2.2, []);
  const reach = Math.max(1, ...account.residual.map(Math.abs));
  const middle = height - FOOT - REST / 2 + 2;
  band(ctx, time, base, account.residual, x, (p) => middle - (p / reach) * (REST / 2 - 5), colour("grey"));
  ctx.strokeStyle = colour("edge");
  ctx.setLineDash([4, 3]);
  ctx.beginPath();
  ctx.moveTo(x(account.expiration_s), top);
  ctx.lineTo(x(account.expiration_s), height - FOOT);
  ctx.stroke();
  ctx.setLineDash([]);
  const turn = Math.max(1, time.findIndex((t) => t >= account.expiration_s));
  for (const [letter, bottomOf, topOf] of [["A", base, start], ["B", start, recoil], ["C", recoil, all], ["D", net, all]] as const) {
    place(ctx, letter, time, bottomOf, topOf, turn, x, y);
  }
}

export function band(ctx: CanvasRenderingContext2D, time: number[], low: number[], high: number[], x: (t: number) => number, y: (p: number) => number, style: string | CanvasPattern): void {
  ctx.fillStyle = style;
  ctx.beginPath();
  time.forEach((t, i) => (i ? ctx.lineTo(x(t), y(high[i]!)) : ctx.moveTo(x(t), y(high[i]!))));
  for (let i = time.length - 1; i >= 0; i -= 1) ctx.lineTo(x(time[i]!), y(low[i]!));
  ctx.closePath();
  ctx.fill();
}

export function line(ctx: CanvasRenderingContext2D, xs: number[], ys: number[], x: (t: number) => number, y: (p: number) => number, style: string, width: number, dash: number[]): void {
  ctx.strokeStyle = style;
  ctx.lineWidth = width;
  ctx.lineJoin = "round";
  ctx.setLineDash(dash);
  ctx.beginPath();
  xs.forEach((t, i) => (i ? ctx.lineTo(x(t), y(ys[i]!)) : ctx.moveTo(x(t), y(ys[i]!))));
  ctx.stroke();
  ctx.setLineDash([]);
}

/** A letter where its band is thickest in the middle of the inflation; none where there is no room. */
function place(ctx: CanvasRenderingContext2D, letter: string, time: number[], low: number[], high: number[], turn: number, x: (t: number) => number, y: (p: number) => number): void {
  const thick = high.slice(0, turn).map((value, i) => Math.abs(y(value) - y(low[i]!)));
  const total = thick.reduce((sum, value) => sum + value, 0);
  let seen = 0;
  const at = thick.findIndex((value) => (seen += value) >= total / 2);
  if (at < 0 || thick[at]! < 13) return;
  const [cx, cy] = [x(time[at]!), y((low[at]! + high[at]!) / 2)];
  ctx.fillStyle = colour("sheet");
  ctx.beginPath();
  ctx.arc(cx, cy, 8, 0, 7);
  ctx.fill();
  ctx.fillStyle = colour("ink");
  ctx.font = "700 12px 'Source Sans 3 Variable', sans-serif";
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.fillText(letter, cx, cy + 0.5);
}

interface Axes {
  width: number;
  left: number;
  top: number;
  bottom: number;
  foot: number;
  xTicks: number[];
  yTicks: number[];
  x: (t: number) => number;
  y: (p: number) => number;
}

export function axes(ctx: CanvasRenderingContext2D, { width, left, bottom, foot, xTicks, yTicks, x, y, top }: Axes): void {
  ctx.font = "11px 'Source Sans 3 Variable', sans-serif";
  ctx.fillStyle = colour("ink-2");
  ctx.strokeStyle = colour("rule");
  ctx.lineWidth = 1;
  ctx.textBaseline = "middle";
  ctx.textAlign = "right";
  for (const tick of yTicks) {
    if (y(tick) < top - 1 || y(tick) > bottom + 1) continue;
    ctx.beginPath();
    ctx.moveTo(left, y(tick));
    ctx.lineTo(width - 4, y(tick));
    ctx.stroke();
    ctx.fillText(String(tick).replace("-", "−"), left - 4, y(tick));
  }
  ctx.textBaseline = "top";
  ctx.textAlign = "center";
  for (const tick of xTicks) ctx.fillText(String(tick).replace("-", "−"), x(tick), foot + 5);
}

type Axis = "pressure_cmh2o" | "flow_l_min" | "volume_ml";

function Loops({ loops, x: along, y: up, words }: { loops: Loop[]; x: Axis; y: Axis; words: string }) {
  const [hint] = useState(() => `${words}; the breath and up to six before it`);
  const canvas = useCanvas((ctx, width, height) => {
    const xs = loops.flatMap((loop) => loop[along]);
    const ys = loops.flatMap((loop) => loop[up]);
    if (!xs.length) return;
    const [x0, x1, y0, y1] = [Math.min(0, ...xs), Math.max(...xs), Math.min(0, ...ys), Math.max(...ys)];
    const x = (value: number) => LEFT + ((value - x0) / (x1 - x0 || 1)) * (width - LEFT - 8);
    const y = (value: number) => height - FOOT - ((value - y0) / (y1 - y0 || 1)) * (height - FOOT - 8);
    axes(ctx, { width, left: LEFT, top: 4, bottom: height - FOOT, foot: height - FOOT, xTicks: ticks(x0, x1, 3), yTicks: ticks(y0, y1, 6), x, y });
    for (const loop of [...loops].reverse()) {
      ctx.globalAlpha = loop.earlier ? Math.max(0.12, 0.45 - 0.06 * loop.earlier) : 1;
      line(ctx, loop[along], loop[up], x, y, colour(loop.earlier ? "ink-2" : "blue"), loop.earlier ? 1 : 2.2, []);
    }
    ctx.globalAlpha = 1;
  }, [loops, along, up]);
  return <figure style={{ margin: 0 }}><canvas ref={canvas} role="img" aria-label={hint} /><figcaption class="small quiet">{words}</figcaption></figure>;
}
