// What has arrived of the virtual patient's signals, and the moment of it that is shown: a little behind the newest, so
// that time passes evenly on the screen however unevenly it arrives.
import { BANDS, type Band, type Frame } from "./wire";

const KEPT = 8192;
const BEHIND_S = 0.04;
const FAR_S = 0.4;
const PULL = 0.08;

export class Track {
  rate = 100;
  generation = 0;
  first = 0;
  last = 0;
  phase = 0;
  volumes: Float32Array = new Float32Array();
  opened: Float32Array = new Float32Array();
  levels: Float32Array = new Float32Array();
  private readonly rows = Object.fromEntries(BANDS.map((name) => [name, new Float32Array(KEPT)])) as Record<Band, Float32Array>;

  add(frame: Frame): void {
    const begin = Math.round(frame.first * frame.rate);
    if (frame.generation !== this.generation || begin !== this.last) this.first = this.last = begin;
    this.rate = frame.rate;
    this.generation = frame.generation;
    for (const name of BANDS) for (let i = 0; i < frame.samples; i += 1) this.rows[name][(begin + i) % KEPT] = frame.bands[name][i]!;
    this.last = begin + frame.samples;
    this.first = Math.max(this.first, this.last - KEPT);
    this.phase = frame.phase;
    this.volumes = frame.volumes;
    this.opened = frame.opened;
    this.levels = frame.levels;
  }

  get newest(): number {
    return this.last / this.rate;
  }

  at(name: Band, sample: number): number {
    return this.rows[name][((sample % KEPT) + KEPT) % KEPT]!;
  }

  /** Where the breath that a sample belongs to begins, as far as it is known. */
  begun(sample: number): number {
    return Math.max(this.first, Math.round(sample - this.at("since", sample) * this.rate));
  }

  /** A band from one sample to another, both included. */
  part(name: Band, from: number, to: number): number[] {
    const found = [];
    for (let sample = from; sample <= to; sample += 1) found.push(this.at(name, sample));
    return found;
  }
}

export class Playhead {
  shown = 0;
  private before = 0;

  /** Move on to a moment of the page's clock; gives the moment of the patient's that is to be shown. */
  move(nowMs: number, newest: number, speed: number, playing: boolean): number {
    const passed = Math.min(0.25, Math.max(0, (nowMs - this.before) / 1000));
    this.before = nowMs;
    const aim = newest - BEHIND_S * speed;
    if (!playing || Math.abs(aim - this.shown) > FAR_S * speed) this.shown = playing ? aim : newest;
    else this.shown += passed * speed + PULL * (aim - this.shown - passed * speed);
    this.shown = Math.max(0, Math.min(newest, this.shown));
    return this.shown;
  }
}
