// Stretches of the record: moved, widened, kept inside it.
export interface Stretch {
  from: number;
  to: number;
}

export const SHORTEST_S = 0.5;

export function inside(stretch: Stretch, end: number): Stretch {
  const length = Math.min(Math.max(stretch.to - stretch.from, Math.min(SHORTEST_S, end)), end);
  const from = Math.min(Math.max(0, stretch.from), end - length);
  return { from, to: from + length };
}

export function moved(stretch: Stretch, share: number, end: number): Stretch {
  const step = share * (stretch.to - stretch.from);
  return inside({ from: stretch.from + step, to: stretch.to + step }, end);
}

export function zoomed(stretch: Stretch, factor: number, end: number, about = (stretch.from + stretch.to) / 2): Stretch {
  return inside({ from: about - (about - stretch.from) * factor, to: about + (stretch.to - about) * factor }, end);
}

/** A stretch of the same length that shows a moment; the same one where it does already. */
export function showing(stretch: Stretch, start: number, stop: number, end: number): Stretch {
  const length = stretch.to - stretch.from;
  const edge = Math.min(0.1 * length, 2);
  if (start >= stretch.from + edge && stop <= stretch.to - edge) return stretch;
  const middle = stop - start < length ? (start + stop) / 2 : start + length / 2;
  const found = inside({ from: middle - length / 2, to: middle + length / 2 }, end);
  return Math.abs(found.from - stretch.from) < 1e-6 && Math.abs(found.to - stretch.to) < 1e-6 ? stretch : found;
}

/** Which of these moments comes next, or came last; with none that way, the first or the last of all. */
export function begin(starts: number[], now: number, direction: 1 | -1): number {
  const found = next(starts, now, direction);
  return found >= 0 ? found : direction > 0 ? Math.min(0, starts.length - 1) : starts.length - 1;
}

export function next(starts: number[], now: number, direction: 1 | -1): number {
  if (direction > 0) return starts.findIndex((start) => start > now + 1e-3);
  for (let i = starts.length - 1; i >= 0; i -= 1) if (starts[i]! < now - 1e-3) return i;
  return -1;
}
