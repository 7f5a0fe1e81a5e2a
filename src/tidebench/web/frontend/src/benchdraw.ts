// The bench's two drawings: the pressure account of the breath under way, and the patient in whom it happens. The same
// letters stand in both: A and B in lung and chest, C in tube and airways, D at the muscles.
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

export function paintLive(ctx: CanvasRenderingContext2D, width: number, height: number, track: Track, shown: number, reach: Reach): void {
  const [now, ...before] = breathsAt(track, Math.round(shown * track.rate), EARLIER);
  if (!now) return;
  const seconds = (one: Bounds) => (one.to - one.from) / track.rate;
  const pressures = [now, ...before].flatMap((one) => track.part("pressure", one.from, one.to));
  const start = track.part("start", now.from, now.to);
  const recoil = track.part("elastic", now.from, now.to).map((value, i) => value + start[i]!);
  const all = track.part("resistive", now.from, now.to).map((value, i) => value + recoil[i]!);
  const net = track.part("muscle", now.from, now.to).map((value, i) => all[i]! - value);
  reach.include(Math.max(...pressures, ...all, 4) * 1.06, Math.min(...pressures, ...all, ...net, 0) * 1.1, Math.max(seconds(now), ...before.slice(0, 1).map(seconds), 0.6) * 1.02);
  const [top, bottom] = [10, height - FOOT];
  const x = (t: number) => LEFT + (t / reach.seconds) * (width - LEFT - 8);
  const y = (p: number) => bottom - ((p - reach.low) / (reach.high - reach.low)) * (bottom - top);
  axes(ctx, { width, left: LEFT, top, bottom, foot: bottom, xTicks: ticks(0, reach.seconds, 5), yTicks: ticks(reach.low, reach.high, 6), x, y });
  ctx.save();
  ctx.beginPath();
  ctx.rect(LEFT, 0, width - LEFT, bottom);
  ctx.clip();
  const time = start.map((_, i) => i / track.rate);
  const base = start.map(() => 0);
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
  for (const [letter, lower, upper] of [["A", base, start], ["B", start, recoil], ["C", recoil, all], ["D", net, all]] as const) mark(ctx, letter, time, lower, upper, x, y);
}

/** A letter where its band is thickest; none where there is no room. */
function mark(ctx: CanvasRenderingContext2D, letter: string, time: number[], low: number[], high: number[], x: (t: number) => number, y: (p: number) => number): void {
  let [best, thickest] = [-1, 17];
  for (let i = 0; i < time.length; i += 1) {
    const thick = Math.abs(y(high[i]!) - y(low[i]!));
    if (thick > thickest * 1.04) [best, thickest] = [i, thick];
  }
  if (best >= 0) disc(ctx, letter, x(time[best]!), y((low[best]! + high[best]!) / 2));
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

const [PAUSE, HELD, OCCLUDED, OPEN] = [2, 3, 4, 5];
const PHASES: Record<number, string> = { [PAUSE]: "closed: set pause", [HELD]: "closed: inspiratory hold", [OCCLUDED]: "closed: hold", [OPEN]: "open to the room" };
const WORDS_MS = 160;

/** The patient: tube, parts of the lung as large as they are filled, muscles; and how much pressure each takes or gives. */
export class Patient {
  private fullest = 0.1;
  private said = 0;
  private words = { wye: "", tube: "", lung: "", muscles: "", flow: "" };

  paint(ctx: CanvasRenderingContext2D, width: number, height: number, track: Track, shown: number, nowMs: number): void {
    const sample = Math.min(track.last - 1, Math.max(track.first, Math.round(shown * track.rate)));
    if (sample < track.first) return;
    const value = (name: Parameters<Track["at"]>[0]) => track.at(name, sample);
    const volume = track.volumes.reduce((sum, one) => sum + one, 0);
    this.fullest = Math.max(this.fullest, volume);
    this.say(nowMs, value);
    const middle = width / 2;
    const [mouth, carina] = [42, height * 0.34];
    const floor = height - 52 + 12 * Math.min(1.2, Math.max(-0.3, volume / this.fullest));
    this.chest(ctx, middle, carina, width, floor);
    this.airway(ctx, middle, mouth, carina, track.phase, value("flow"));
    this.parts(ctx, middle, carina, width, floor, track);
    this.muscles(ctx, middle, width, floor, value("muscle"));
    this.tell(ctx, middle, mouth, carina, floor, track.phase);
  }

  private say(nowMs: number, value: (name: "pressure" | "start" | "elastic" | "resistive" | "muscle" | "flow") => number): void {
    if (nowMs - this.said < WORDS_MS) return;
    this.said = nowMs;
    const told = (number: number) => (Math.abs(number) < 0.05 ? 0 : number).toFixed(1).replace("-", "−");
    this.words = {
      wye: `${told(value("pressure"))} cmH2O`,
      tube: told(value("resistive")),
      lung: told(value("start") + value("elastic")),
      muscles: told(value("muscle")),
      flow: Math.abs(value("flow")) < 0.01 ? "no flow" : value("flow") > 0 ? "gas flows in" : "gas flows out",
    };
  }

  private chest(ctx: CanvasRenderingContext2D, middle: number, carina: number, width: number, floor: number): void {
    ctx.strokeStyle = colour("edge");
    ctx.lineWidth = 2;
    ctx.beginPath();
    const half = width * 0.44;
    ctx.moveTo(middle - 34, carina - 26);
    ctx.bezierCurveTo(middle - half, carina - 22, middle - half, carina + 40, middle - half, floor);
    ctx.moveTo(middle + 34, carina - 26);
    ctx.bezierCurveTo(middle + half, carina - 22, middle + half, carina + 40, middle + half, floor);
    ctx.stroke();
  }

  private airway(ctx: CanvasRenderingContext2D, middle: number, mouth: number, carina: number, phase: number, flow: number): void {
    const top = phase === OPEN ? mouth + 16 : mouth;
    ctx.fillStyle = fill(ctx, "yellow", "dots");
    ctx.fillRect(middle - 7, top, 14, carina - top);
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 1.5;
    ctx.strokeRect(middle - 7, top, 14, carina - top);
    if (phase >= PAUSE && phase <= OCCLUDED) {
      ctx.fillStyle = colour("ink");
      ctx.fillRect(middle - 15, mouth - 3, 30, 5);
    }
    const long = Math.min(46, 46 * Math.sqrt(Math.abs(flow)));
    if (long < 4) return;
    const [from, to] = flow > 0 ? [carina - 18 - long, carina - 18] : [carina - 18, carina - 18 - long];
    arrow(ctx, middle - 22, from, middle - 22, to, colour("ink"));
  }

  private parts(ctx: CanvasRenderingContext2D, middle: number, carina: number, width: number, floor: number, track: Track): void {
    const several = Math.max(2, track.volumes.length);
    const room = (width * 0.8) / several;
    const tall = floor - carina - 30;
    for (let i = 0; i < several; i += 1) {
      const own = track.volumes.length === 1 ? 0 : i;
      const filled = track.volumes.length === 1 ? track.volumes[0]! / 2 : track.volumes[i]!;
      const size = Math.sqrt(Math.min(1.15, Math.max(0.05, 0.5 + (0.5 * filled * track.volumes.length) / (this.fullest * (track.volumes.length === 1 ? 0.5 : 1)))));
      const [x, y] = [middle + (i - (several - 1) / 2) * room, carina + 18 + tall / 2];
      ctx.strokeStyle = colour("yellow");
      ctx.lineWidth = 6;
      ctx.beginPath();
      ctx.moveTo(middle, carina);
      ctx.lineTo(x, y - (tall / 2) * size * 0.86);
      ctx.stroke();
      this.balloon(ctx, x, y, (room / 2 - 4) * size, (tall / 2) * size, 1 - (track.opened[own] ?? 1));
    }
  }

  private balloon(ctx: CanvasRenderingContext2D, x: number, y: number, across: number, along: number, closed: number): void {
    ctx.save();
    ctx.beginPath();
    ctx.ellipse(x, y, Math.max(3, across), Math.max(3, along), 0, 0, 7);
    ctx.fillStyle = fill(ctx, "blue", "rising");
    ctx.fill();
    ctx.clip();
    if (closed > 0.005) {
      ctx.fillStyle = fill(ctx, "grey", "cross");
      ctx.fillRect(x - across, y + along - 2 * along * closed, 2 * across, 2 * along * closed);
    }
    ctx.restore();
    ctx.strokeStyle = colour("blue");
    ctx.lineWidth = 2;
    ctx.beginPath();
    ctx.ellipse(x, y, Math.max(3, across), Math.max(3, along), 0, 0, 7);
    ctx.stroke();
  }

  private muscles(ctx: CanvasRenderingContext2D, middle: number, width: number, floor: number, given: number): void {
    const half = width * 0.44;
    ctx.strokeStyle = colour(Math.abs(given) > 0.3 ? "red" : "edge");
    ctx.lineWidth = Math.abs(given) > 0.3 ? 4 : 2;
    ctx.beginPath();
    ctx.moveTo(middle - half, floor);
    ctx.quadraticCurveTo(middle, floor - 16 + Math.min(14, Math.max(-8, given)), middle + half, floor);
    ctx.stroke();
    const long = Math.min(26, 3 * Math.abs(given));
    if (long < 3) return;
    for (const side of [-0.5, 0.5]) arrow(ctx, middle + side * half, floor + (given > 0 ? 2 : 2 + long), middle + side * half, floor + (given > 0 ? 2 + long : 2), colour("red"));
  }

  private tell(ctx: CanvasRenderingContext2D, middle: number, mouth: number, carina: number, floor: number, phase: number): void {
    const put = (text: string, x: number, y: number, align: CanvasTextAlign, weight = 400) => {
      ctx.font = `${weight} 14px ${FONT}`;
      ctx.textAlign = align;
      ctx.textBaseline = "middle";
      ctx.lineWidth = 4;
      ctx.lineJoin = "round";
      ctx.strokeStyle = colour("sheet");
      ctx.strokeText(text, x, y);
      ctx.fillStyle = colour("ink");
      ctx.fillText(text, x, y);
    };
    put(`airway ${this.words.wye}`, middle, 14, "center", 600);
    put(PHASES[phase] ?? this.words.flow, middle + 14, mouth + 2, "left");
    disc(ctx, "C", middle + 24, (mouth + carina) / 2 + 8);
    put(this.words.tube, middle + 37, (mouth + carina) / 2 + 8, "left");
    const y = carina + (floor - carina) / 2;
    disc(ctx, "A", middle - 44, y);
    disc(ctx, "B", middle - 24, y);
    put(this.words.lung, middle - 10, y, "left", 600);
    disc(ctx, "D", middle - 14, floor + 26);
    put(this.words.muscles, middle, floor + 26, "left");
  }
}

function arrow(ctx: CanvasRenderingContext2D, x0: number, y0: number, x1: number, y1: number, style: string): void {
  const angle = Math.atan2(y1 - y0, x1 - x0);
  ctx.strokeStyle = ctx.fillStyle = style;
  ctx.lineWidth = 2.5;
  ctx.beginPath();
  ctx.moveTo(x0, y0);
  ctx.lineTo(x1 - 5 * Math.cos(angle), y1 - 5 * Math.sin(angle));
  ctx.stroke();
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  for (const side of [2.6, -2.6]) ctx.lineTo(x1 + 9 * Math.cos(angle + side), y1 + 9 * Math.sin(angle + side));
  ctx.closePath();
  ctx.fill();
}
