// Patient and pressure account in the middle of the bench, drawn anew with every frame that the screen shows.
import { useEffect, useRef } from "preact/hooks";

import { Picture } from "./benchdraw";
import { PARTS, Swatch } from "./breath";
import { useTheme } from "./theme";
import type { Playhead, Track } from "./track";
import { clock } from "./words";

export interface Live {
  track: Track;
  head: Playhead;
  playing: boolean;
  speed: number;
  dirty: boolean;
  changedAt: number;
  zero?: number;
}

const CLOCK_MS = 120;

export function Figure({ live }: { live: Live }) {
  const canvas = useRef<HTMLCanvasElement>(null);
  const time = useRef<HTMLSpanElement>(null);
  const box = useRef<HTMLElement>(null);
  const theme = useTheme();

  useEffect(() => {
    live.dirty = true;
    let picture = new Picture();
    let [running, told, generation] = [0, 0, -1];
    const watch = new ResizeObserver(() => (live.dirty = true));
    watch.observe(canvas.current!);
    const paint = (nowMs: number) => {
      running = requestAnimationFrame(paint);
      const shown = live.head.move(nowMs, live.track.newest, live.speed, live.playing);
      if (!live.playing && !live.dirty) return;
      live.dirty = false;
      if (generation !== live.track.generation) {
        generation = live.track.generation;
        picture = new Picture();
      }
      surface(canvas.current!, (ctx, width, height) => picture.paint(ctx, width, height, live.track, shown, nowMs));
      box.current!.dataset.shown = shown.toFixed(3);
      box.current!.dataset.changed = String(live.changedAt);
      if (nowMs - told > CLOCK_MS || !live.playing) {
        told = nowMs;
        time.current!.textContent = clock(shown - (live.zero ?? 0), 1);
      }
    };
    running = requestAnimationFrame(paint);
    return () => {
      cancelAnimationFrame(running);
      watch.disconnect();
    };
  }, [live, theme]);

  return (
    <section class="sheet strip live" aria-labelledby="figure" ref={box}>
      <div class="strip-head">
        <h2 id="figure" class="grow">Where the pressure goes <span class="small quiet">cmH2O now, and over the seconds of the breath under way</span></h2>
        <span>at <span class="moment" ref={time}>0:00.0</span></span>
      </div>
      <canvas class="picture" ref={canvas} role="img" aria-label="On the left the virtual patient as vessels: the airway and each part of the lung, filled to its pressure. On the right the pressure account of the breath under way, with earlier breaths paler. The table of breaths holds their numbers." />
      <dl class="letters">
        {PARTS.map(([key, letter, name, pattern, words]) => <><dt>{letter}</dt><dd key={key}><Swatch name={name} pattern={pattern} />{words}</dd></>)}
        <dt>━</dt><dd>airway pressure = A + B + C − D; earlier breaths paler. In the vessels a level is a pressure, an area a volume. All is the virtual patient's own: nothing is estimated.</dd>
      </dl>
    </section>
  );
}

/** A canvas as large as it is shown, cleared, to be drawn on. */
function surface(canvas: HTMLCanvasElement, draw: (ctx: CanvasRenderingContext2D, width: number, height: number) => void): void {
  const ratio = window.devicePixelRatio || 1;
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  const ctx = canvas.getContext("2d");
  if (!ctx || !width || !height) return;
  const [across, along] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== across || canvas.height !== along) [canvas.width, canvas.height] = [across, along];
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  ctx.clearRect(0, 0, width, height);
  draw(ctx, width, height);
}
