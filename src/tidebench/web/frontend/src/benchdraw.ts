// The bench's drawing. On the left the patient as vessels that communicate: the airway, and each part of the lung, as
// wide as it is compliant, so that a level is a pressure and an area is a volume. On the right the pressure account of
// the breath under way, on the same scale: its last instant is what stands in the vessels.
import { axes, band, FOOT, LEFT, line } from "./breath";
import { fill, ticks } from "./draw";
import { colour } from "./theme";
import type { Track } from "./track";

const FONT = "'Source Sans 3 Variable', sans-serif";
const EARLIER = 3;

/** How far axes reach: they grow at once and shrink slowly, so that the picture stays calm. */
export class Reach {
  high = 10;
  low = 0;
  seconds = 2;

  include(high: number, low: number, seconds: number): void {
    const calm = 0.004;
    this.high = high > this.high ? high : this.high - calm * (this.high - high);
    this.low = low < this.low ? low : this.low + calm * (low - this.low);
    this.seconds = seconds > this.seconds ? seconds : this.seconds - calm * 4 * (this.seconds - seconds);
  }
}

interface Bounds {
  from: number;
  to: number;
}

/** The breath under way at a sample, and whole breaths before it, latest first. */
export function breathsAt(track: Track, sample: number, earlier: number): Bounds[] {
  const found: Bounds[] = [];
  let to = Math.min(sample, track.last - 1);
  while (to >= track.first && found.length <= earlier) {
    const from = track.begun(to);
    found.push({ from, to });
    to = from - 1;
  }
  return found;
}

/** Vessels and account, side by side on one scale of pressure. */
export class Picture {
  private readonly reach = new Reach();
  private readonly vessels = new Vessels();

  paint(ctx: CanvasRenderingContext2D, width: number, height: number, track: Track, shown: number, nowMs: number): void {
    const [now, ...before] = breathsAt(track, Math.round(shown * track.rate), EARLIER);
    if (!now) return text(ctx, "No breath yet: let time pass (p).", width / 2, height / 2, "center");
    const seconds = (one: Bounds) => (one.to - one.from) / track.rate;
    const bands = bandsOf(track, now);
    const pressures = [now, ...before].flatMap((one) => track.part("pressure", one.from, one.to));
    this.reach.include(
      Math.max(...pressures, ...bands.all, 4) * 1.08,
      Math.min(...pressures, ...bands.all, ...bands.net, 0) * 1.1,
      Math.max(seconds(now), ...before.slice(0, 1).map(seconds), 0.6) * 1.02,
    );
    const { high, low } = this.reach;
    const [top, bottom] = [24, height - FOOT];
    const y = (p: number) => bottom - ((p - low) / (high - low)) * (bottom - top);
    const left = Math.max(170, Math.min(330, 0.34 * width));
    this.vessels.paint(ctx, left - 14, bottom, y, track, now.to, nowMs);
    ctx.save();
    ctx.translate(left, 0);
    paintAccount(ctx, width - left, top, bottom, y, this.reach, track, bands, now, before);
    ctx.restore();
  }
}

interface Bands {
  time: number[];
  base: number[];
  start: number[];
  recoil: number[];
  all: number[];
  net: number[];
}

function bandsOf(track: Track, one: Bounds): Bands {
  const start = track.part("start", one.from, one.to);
  const recoil = track.part("elastic", one.from, one.to).map((value, i) => value + start[i]!);
  const between = track.part("unexplained", one.from, one.to); // gas on its way between parts of the lung, and heartbeat
  const all = track.part("resistive", one.from, one.to).map((value, i) => value + between[i]! + recoil[i]!);
  const net = track.part("muscle", one.from, one.to).map((value, i) => all[i]! - value);
  return { time: start.map((_, i) => i / track.rate), base: start.map(() => 0), start, recoil, all, net };
}

function paintAccount(ctx: CanvasRenderingContext2D, width: number, top: number, bottom: number, y: (p: number) => number, reach: Reach, track: Track, bands: Bands, now: Bounds, before: Bounds[]): void {
  const { time, base, start, recoil, all, net } = bands;
  const x = (t: number) => LEFT + (t / reach.seconds) * (width - LEFT - 8);
  axes(ctx, { width, left: LEFT, top, bottom, foot: bottom, xTicks: ticks(0, reach.seconds, 5), yTicks: ticks(reach.low, reach.high, 6), x, y });
  ctx.save();
  ctx.beginPath();
  ctx.rect(LEFT, 0, width - LEFT, bottom);
  ctx.clip();
  band(ctx, time, base, start, x, y, fill(ctx, "grey", "plain"));
  band(ctx, time, start, recoil, x, y, fill(ctx, "blue", "rising"));
  band(ctx, time, recoil, all, x, y, fill(ctx, "yellow", "dots"));
  if (all.some((value, i) => Math.abs(value - net[i]!) > 0.1)) band(ctx, time, net, all, x, y, fill(ctx, "red", "falling"));
  line(ctx, time, recoil, x, y, colour("blue"), 1.2, [5, 3]);
  before.forEach((one, k) => {
    ctx.globalAlpha = 0.5 - 0.14 * k;
    const earlier = track.part("pressure", one.from, one.to);
    line(ctx, earlier.map((_, i) => i / track.rate), earlier, x, y, colour("ink-2"), 1.3, []);
  });
  ctx.globalAlpha = 1;
  line(ctx, time, track.part("pressure", now.from, now.to), x, y, colour("ink"), 2.4, []);
  ctx.restore();
  const seenB = recoil.map((value, i) => (value > start[i]! ? Math.max(start[i]!, Math.min(value, net[i]!)) : value));
  const seenC = all.map((value, i) => (value > recoil[i]! ? Math.max(recoil[i]!, Math.min(value, net[i]!)) : value));
  for (const [letter, lower, upper] of [["A", base, start], ["B", start, seenB], ["C", recoil, seenC], ["D", net, all]] as const) mark(ctx, letter, time, lower, upper, x, y);
}

const ROOM = 18;

/** A letter in the middle of what is seen of its band; none where there is no room. */
function mark(ctx: CanvasRenderingContext2D, letter: string, time: number[], low: number[], high: number[], x: (t: number) => number, y: (p: number) => number): void {
  const thick = high.map((value, i) => Math.abs(y(value) - y(low[i]!)));
  const total = thick.reduce((sum, one) => sum + one, 0);
  let seen = 0;
  const at = thick.findIndex((one) => (seen += one) >= total / 2);
  if (at >= 0 && thick[at]! > ROOM && x(time.at(-1)!) - x(0) > ROOM) disc(ctx, letter, x(time[at]!), y((low[at]! + high[at]!) / 2));
}

function disc(ctx: CanvasRenderingContext2D, letter: string, x: number, y: number): void {
  ctx.fillStyle = colour("sheet");
  ctx.beginPath();
  ctx.arc(x, y, 8.5, 0, 7);
  ctx.fill();
  ctx.fillStyle = colour("ink");
  ctx.font = `700 12px ${FONT}`;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  ctx.fillText(letter, x, y + 0.5);
}

const [PAUSE, OCCLUDED, OPEN] = [2, 4, 5];
const PHASES: Record<number, string> = { [PAUSE]: "closed: set pause", 3: "closed: inspiratory hold", [OCCLUDED]: "closed: expiratory hold", [OPEN]: "open to the room" };
const WORDS_MS = 160;
const PIPE = 16;
const AIRWAY = 30;
const EASE = 0.02;

/** The patient as vessels: airway and parts of the lung, joined below by a pipe in which gas flows. */
class Vessels {
  private wide: number[] = [];
  private said = -1e9;
  private words = ["", "", ""];

  paint(ctx: CanvasRenderingContext2D, width: number, bottom: number, y: (p: number) => number, track: Track, sample: number, nowMs: number): void {
    const value = (name: Parameters<Track["at"]>[0]) => track.at(name, sample);
    const [pressure, start, muscle, flow] = [value("pressure"), value("start"), value("muscle"), value("flow")];
    const recoil = start + value("elastic");
    if (nowMs - this.said > WORDS_MS) {
      this.said = nowMs;
      const gas = Math.abs(flow) < 0.01 ? "no flow" : flow > 0 ? "gas flows in" : "gas flows out";
      this.words = [told(pressure), told(recoil - muscle), PHASES[track.phase] ?? gas];
    }
    const zero = Math.min(bottom, y(0));
    this.pipe(ctx, width, zero, track.phase, flow);
    this.airway(ctx, zero, y, pressure);
    const lung = AIRWAY + 44;
    this.parts(ctx, lung, width, zero, y, track, start, muscle);
    this.loss(ctx, lung, y, pressure, recoil - muscle);
    text(ctx, "airway", 2, 12, "left");
    text(ctx, this.words[0]!, 4 + AIRWAY / 2, y(pressure) - 9, "center", 700);
    text(ctx, "lung and chest", lung, 12, "left");
    text(ctx, this.words[1]!, width - 2, y(recoil - muscle) - 9, "right", 700);
    text(ctx, this.words[2]!, 2, zero + FOOT - 7, "left", 600);
  }

  private airway(ctx: CanvasRenderingContext2D, zero: number, y: (p: number) => number, pressure: number): void {
    ctx.fillStyle = fill(ctx, "grey", "dots");
    ctx.fillRect(4, y(pressure), AIRWAY - 6, zero - y(pressure));
    wall(ctx, 4, AIRWAY - 6, zero, y(pressure));
  }

  /** Each part as wide as it holds gas for its pressure; the share that is closed is crossed out. */
  private parts(ctx: CanvasRenderingContext2D, left: number, width: number, zero: number, y: (p: number) => number, track: Track, start: number, muscle: number): void {
    const n = track.volumes.length;
    const held = Array.from(track.volumes, (volume, i) => Math.max(0.004, volume) / Math.max(2, track.levels[i]!));
    if (this.wide.length !== n) this.wide = held;
    this.wide = this.wide.map((one, i) => one + EASE * (held[i]! - one));
    const total = this.wide.reduce((sum, one) => sum + one, 0);
    const gap = 6;
    const room = width - left - gap * (n - 1);
    let x = left;
    for (let i = 0; i < n; i += 1) {
      const across = (room * this.wide[i]!) / total;
      const level = track.levels[i]!;
      const part = (style: string | CanvasPattern, from: number, to: number) => {
        ctx.fillStyle = style;
        ctx.fillRect(x, Math.min(y(from), y(to)), across, Math.abs(y(to) - y(from)));
      };
      part(fill(ctx, "grey", "plain"), 0, Math.min(start, level));
      part(fill(ctx, "blue", "rising"), Math.min(start, level), level);
      if (Math.abs(muscle) > 0.1) part(fill(ctx, "red", "falling"), level - muscle, level);
      const shut = across * (1 - track.opened[i]!);
      if (shut > 1) {
        ctx.fillStyle = fill(ctx, "grey", "cross");
        ctx.fillRect(x + across - shut, y(level), shut, zero - y(level));
      }
      wall(ctx, x, across, zero, y(level - muscle));
      line(ctx, [x, x + across], [level, level], (at) => at, y, colour("blue"), 1.2, [5, 3]);
      if (across > 40) this.letters(ctx, x + across / 2, y, Math.min(start, level), level, muscle);
      x += across + gap;
    }
  }

  private letters(ctx: CanvasRenderingContext2D, x: number, y: (p: number) => number, start: number, level: number, muscle: number): void {
    const parts: [string, number, number][] = [["A", 0, start], ["B", start, Math.max(start, Math.min(level, level - muscle))], ["D", level - muscle, level]];
    for (const [letter, from, to] of parts) if (Math.abs(y(to) - y(from)) > ROOM) disc(ctx, letter, x, (y(from) + y(to)) / 2);
  }

  /** What is lost between airway and lung, as a slope from one level to the other. */
  private loss(ctx: CanvasRenderingContext2D, lung: number, y: (p: number) => number, airway: number, alveolar: number): void {
    ctx.fillStyle = fill(ctx, "yellow", "dots");
    ctx.beginPath();
    ctx.moveTo(AIRWAY + 2, y(airway));
    ctx.lineTo(lung - 4, y(alveolar));
    ctx.lineTo(AIRWAY + 2, y(alveolar));
    ctx.closePath();
    ctx.fill();
    ctx.strokeStyle = colour("yellow");
    ctx.lineWidth = 1.5;
    ctx.stroke();
    if (Math.abs(y(airway) - y(alveolar)) > 26) disc(ctx, "C", AIRWAY + 14, (y(airway) + 2 * y(alveolar)) / 3);
  }

  private pipe(ctx: CanvasRenderingContext2D, width: number, zero: number, phase: number, flow: number): void {
    ctx.fillStyle = colour("well");
    ctx.fillRect(4, zero - PIPE, width - 4, PIPE);
    ctx.strokeStyle = colour("edge");
    ctx.lineWidth = 1.5;
    ctx.strokeRect(4, zero - PIPE, width - 4, PIPE);
    const long = Math.min(34, 40 * Math.sqrt(Math.abs(flow)));
    const middle = AIRWAY + 20;
    if (phase >= PAUSE && phase <= OCCLUDED) {
      ctx.fillStyle = colour("ink");
      ctx.fillRect(middle - 3, zero - PIPE - 4, 6, PIPE + 8);
    } else if (long > 4) arrow(ctx, middle - (flow > 0 ? long : -long) / 2, zero - PIPE / 2, middle + (flow > 0 ? long : -long) / 2, zero - PIPE / 2);
  }
}

const told = (value: number): string => (Math.abs(value) < 0.05 ? 0 : value).toFixed(1).replace("-", "−");

function wall(ctx: CanvasRenderingContext2D, x: number, across: number, zero: number, level: number): void {
  ctx.strokeStyle = colour("edge");
  ctx.lineWidth = 2;
  ctx.beginPath();
  ctx.moveTo(x, 20);
  ctx.lineTo(x, zero);
  ctx.moveTo(x + across, zero);
  ctx.lineTo(x + across, 20);
  ctx.stroke();
  ctx.strokeStyle = colour("ink");
  ctx.lineWidth = 2.4;
  ctx.beginPath();
  ctx.moveTo(x, level);
  ctx.lineTo(x + across, level);
  ctx.stroke();
}

function text(ctx: CanvasRenderingContext2D, words: string, x: number, y: number, align: CanvasTextAlign, weight = 400): void {
  ctx.font = `${weight} 13px ${FONT}`;
  ctx.textAlign = align;
  ctx.textBaseline = "middle";
  ctx.lineWidth = 4;
  ctx.lineJoin = "round";
  ctx.strokeStyle = colour("sheet");
  ctx.strokeText(words, x, y);
  ctx.fillStyle = colour("ink");
  ctx.fillText(words, x, y);
}

function arrow(ctx: CanvasRenderingContext2D, x0: number, y0: number, x1: number, y1: number): void {
  const side = x1 > x0 ? 1 : -1;
  ctx.strokeStyle = ctx.fillStyle = colour("ink");
  ctx.lineWidth = 2.5;
  ctx.beginPath();
  ctx.moveTo(x0, y0);
  ctx.lineTo(x1 - 5 * side, y1);
  ctx.stroke();
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x1 - 9 * side, y1 - 5);
  ctx.lineTo(x1 - 9 * side, y1 + 5);
  ctx.closePath();
  ctx.fill();
}
