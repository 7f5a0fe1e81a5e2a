// Small drawings on canvas: patterns that tell areas apart without colour, marks, and a canvas that keeps its size.
import { useLayoutEffect, useRef } from "preact/hooks";

import { colour, useTheme } from "./theme";

export type Pattern = "plain" | "rising" | "dots" | "falling" | "cross";

const patterns = new Map<string, CanvasPattern>();

/** An area's fill: its tint, with a pattern in its colour. */
export function fill(ctx: CanvasRenderingContext2D, name: string, pattern: Pattern): CanvasPattern | string {
  const [tint, ink] = [colour(`${name}-tint`), colour(name)];
  if (pattern === "plain") return tint;
  const ratio = Math.max(1, Math.round(window.devicePixelRatio));
  const key = `${tint}${ink}${pattern}${ratio}`;
  const known = patterns.get(key);
  if (known) return known;
  const side = 8 * ratio;
  const tile = document.createElement("canvas");
  tile.width = tile.height = side;
  const on = tile.getContext("2d")!;
  on.fillStyle = tint;
  on.fillRect(0, 0, side, side);
  on.strokeStyle = on.fillStyle = ink;
  on.globalAlpha = 0.75;
  on.lineWidth = ratio;
  if (pattern === "dots") {
    on.beginPath();
    on.arc(side / 4, side / 4, ratio, 0, 7);
    on.arc((3 * side) / 4, (3 * side) / 4, ratio, 0, 7);
    on.fill();
  }
  for (const up of pattern === "cross" ? [1, -1] : pattern === "rising" ? [1] : pattern === "falling" ? [-1] : []) {
    on.beginPath();
    for (const shift of [-side, 0, side]) {
      on.moveTo(shift, up > 0 ? side : 0);
      on.lineTo(shift + side, up > 0 ? 0 : side);
    }
    on.stroke();
  }
  const made = ctx.createPattern(tile, "repeat")!;
  patterns.set(key, made);
  return made;
}

export function triangle(ctx: CanvasRenderingContext2D, x: number, y: number, size: number): void {
  ctx.beginPath();
  ctx.moveTo(x, y - size);
  ctx.lineTo(x + size, y + size);
  ctx.lineTo(x - size, y + size);
  ctx.closePath();
  ctx.fill();
}

export type Drawing = (ctx: CanvasRenderingContext2D, width: number, height: number) => void;

/** A canvas that is drawn anew when its size, the theme or what it shows changes. Its size comes from the observer, after
 * the page was laid out: asking for it while others are drawn would lay the page out again for each of them. */
export function useCanvas(draw: Drawing, depends: unknown[]) {
  const canvas = useRef<HTMLCanvasElement>(null);
  const size = useRef<{ width: number; height: number } | null>(null);
  const now = useRef(draw);
  now.current = draw;
  const theme = useTheme();
  const paint = () => {
    const element = canvas.current;
    if (!element || !size.current?.width || !size.current.height) return;
    const ratio = window.devicePixelRatio || 1;
    const { width, height } = size.current;
    element.width = Math.round(width * ratio);
    element.height = Math.round(height * ratio);
    const ctx = element.getContext("2d");
    if (!ctx) return;
    ctx.scale(ratio, ratio);
    now.current(ctx, width, height);
  };
  useLayoutEffect(() => {
    const watch = new ResizeObserver(([entry]) => {
      size.current = entry!.contentRect;
      paint();
    });
    watch.observe(canvas.current!);
    return () => watch.disconnect();
  }, []);
  useLayoutEffect(paint, [theme, ...depends]);
  return canvas;
}

/** Round steps for an axis of about so many ticks. */
export function ticks(low: number, high: number, about: number): number[] {
  const rough = (high - low) / Math.max(1, about);
  if (!(rough > 0)) return [];
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough)!;
  const out = [];
  for (let at = Math.ceil(low / step) * step; at <= high + 1e-9; at += step) out.push(Number(at.toPrecision(8)));
  return out;
}
