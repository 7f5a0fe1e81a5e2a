// What a person says of a picture, as plain data: panels, marks, clocks, corrections; moved, undone, and put into the words of the server.
import type { components } from "./schema";

type Schemas = components["schemas"];
export type PanelSaid = Schemas["PanelSaid"];
export type PictureSaid = Schemas["PictureSaid"];
export type Straight = Schemas["StraightSaid"];
export type Box = [number, number, number, number];
export type Point = [number, number];
export interface Mark { at: number; value: string }
export type Marks = [Mark, Mark];
export interface Clock { way: "marks" | "sweep"; marks: Marks; seconds: string; newest: number | null }
export type Kind = "curve" | "loop" | "trend";
/** A panel; without a clock of its own it has the one that all share. */
export interface Panel {
  id: number; kind: Kind; quantity: string; unit: string; box: Box; values: Marks; clock: Clock | null; across: string; across_unit: string; colour: string; confirmed: boolean;
  /** Figures that a machine read, until somebody has looked. */
  read: boolean;
}
export interface Correction { panel: number; kind: "erase" | "draw"; points: Point[] }
export interface Doc { panels: Panel[]; clock: Clock; corrections: Correction[]; mend: "" | "flow" | "volume" }
export type Size = [number, number];
export const PARTS = ["whole", "left", "top", "right", "bottom", "value0", "value1", "time0", "time1"] as const;
export type Part = (typeof PARTS)[number];

const LEAST = 16;
const clamp = (value: number, low: number, high: number): number => Math.min(high, Math.max(low, value));
const tenth = (value: number): number => Math.round(value * 100) / 100;

export const emptyClock = (left: number, right: number): Clock => ({ way: "marks", marks: [{ at: left, value: "" }, { at: right, value: "" }], seconds: "", newest: null });

let last = 0;
const nextId = (): number => (last += 1);

/** Ids of a document that was kept are never given again. */
export function seen(doc: Doc): Doc {
  last = Math.max(last, ...doc.panels.map((panel) => panel.id));
  return doc;
}

export function panelAt(box: Box): Panel {
  const [, top, , bottom] = box;
  return {
    id: nextId(), kind: "curve", quantity: "", unit: "", box, values: [{ at: bottom, value: "" }, { at: top, value: "" }], clock: null, across: "", across_unit: "", colour: "", confirmed: false, read: false,
  };
}

export interface Read { values: Mark[] | null; times: Mark[] | null }

/** Panels as they are proposed: nothing is confirmed, and no figure is guessed; what a machine read of them is told to be that. */
export function proposed(boxes: number[][], size: Size, axes: Read[] = []): Doc {
  const times = axes.find((one) => one.times)?.times ?? null;
  const panels = boxes.map((box, i): Panel => {
    const values = axes[i]?.values ?? null;
    return { ...panelAt(box as Box), ...(values ? { values: values as Marks } : {}), read: Boolean(values ?? times) };
  });
  const [left, , right] = panels[0]?.box ?? [0, 0, size[0] - 1];
  const clock = emptyClock(left, right);
  return { panels, clock: times ? { ...clock, marks: times as Marks } : clock, corrections: [], mend: "" };
}

/** Another panel: below the last where there is room, else over the middle. */
export function added(doc: Doc, size: Size, box?: Box): Doc {
  const [wide, tall] = size;
  const low = doc.panels.at(-1)?.box;
  const height = low ? low[3] - low[1] : tall / 4;
  const below: Box = low && low[3] + 1.2 * height < tall ? [low[0], Math.round(low[3] + 0.15 * height), low[2], Math.round(low[3] + 1.15 * height)] : [Math.round(wide * 0.1), Math.round(tall * 0.4), Math.round(wide * 0.9), Math.round(tall * 0.6)];
  const panel = panelAt(box ?? below);
  const clock = doc.panels.length ? doc.clock : emptyClock(panel.box[0], panel.box[2]);
  return { ...doc, clock, panels: [...doc.panels, panel] };
}

export const removed = (doc: Doc, id: number): Doc => ({ ...doc, panels: doc.panels.filter((one) => one.id !== id), corrections: doc.corrections.filter((one) => one.panel !== id) });

export const changed = (doc: Doc, id: number, to: Partial<Panel>): Doc => ({ ...doc, panels: doc.panels.map((one) => (one.id === id ? { ...one, ...to } : one)) });

export const clockOf = (doc: Doc, panel: Panel): Clock => panel.clock ?? doc.clock;

export function withClock(doc: Doc, panel: Panel, clock: Clock): Doc {
  return panel.clock ? changed(doc, panel.id, { clock }) : { ...doc, clock };
}

const put = (marks: Marks, which: number, to: Partial<Mark>): Marks => marks.map((mark, i) => (i === which ? { ...mark, ...to } : mark)) as Marks;
export { put as withMark };

/** A panel's part, moved by so many pixels, within the picture. */
export function moved(doc: Doc, id: number, part: Part, dx: number, dy: number, size: Size): Doc {
  const panel = doc.panels.find((one) => one.id === id);
  if (!panel) return doc;
  const [wide, tall] = [size[0] - 1, size[1] - 1];
  const [left, top, right, bottom] = panel.box;
  const x = (at: number) => tenth(clamp(at + dx, 0, wide));
  const y = (at: number) => tenth(clamp(at + dy, 0, tall));
  switch (part) {
    case "left": return changed(doc, id, { box: [Math.min(x(left), right - LEAST), top, right, bottom] });
    case "right": return changed(doc, id, { box: [left, top, Math.max(x(right), left + LEAST), bottom] });
    case "top": return changed(doc, id, { box: [left, Math.min(y(top), bottom - LEAST), right, bottom] });
    case "bottom": return changed(doc, id, { box: [left, top, right, Math.max(y(bottom), top + LEAST)] });
    case "value0": case "value1": {
      const which = Number(part.at(-1));
      return changed(doc, id, { values: put(panel.values, which, { at: y(panel.values[which]!.at) }) });
    }
    case "time0": case "time1": {
      const [which, clock] = [Number(part.at(-1)), clockOf(doc, panel)];
      return withClock(doc, panel, { ...clock, marks: put(clock.marks, which, { at: x(clock.marks[which]!.at) }) });
    }
    case "whole": {
      const by = [tenth(clamp(dx, -left, wide - right)), tenth(clamp(dy, -top, tall - bottom))] as const;
      const along = (marks: Marks, shift: number): Marks => marks.map((mark) => ({ ...mark, at: tenth(mark.at + shift) })) as Marks;
      return changed(doc, id, {
        box: [left + by[0], top + by[1], right + by[0], bottom + by[1]].map(tenth) as Box,
        values: along(panel.values, by[1]),
        clock: panel.clock && { ...panel.clock, marks: along(panel.clock.marks, by[0]) },
      });
    }
  }
}

/** Where a part lies, for its handle. */
export function placeOf(doc: Doc, panel: Panel, part: Part): Point {
  const [left, top, right, bottom] = panel.box;
  const [x, y] = [(left + right) / 2, (top + bottom) / 2];
  const marks = clockOf(doc, panel).marks;
  const places: Record<Part, Point> = {
    whole: [left, top], left: [left, y], right: [right, y], top: [x, top], bottom: [x, bottom],
    value0: [right, panel.values[0].at], value1: [right, panel.values[1].at], time0: [marks[0].at, top], time1: [marks[1].at, top],
  };
  return places[part];
}

/** The panel under a point; the smallest where several are. */
export function panelUnder(doc: Doc, [x, y]: Point): Panel | undefined {
  const area = ({ box: [a, b, c, d] }: Panel) => (c - a) * (d - b);
  return doc.panels.filter(({ box: [a, b, c, d] }) => x >= a && x <= c && y >= b && y <= d).sort((one, other) => area(one) - area(other))[0];
}

export const within = ([left, top, right, bottom]: Box, [x, y]: Point): Point => [tenth(clamp(x, left, right)), tenth(clamp(y, top, bottom))];

/** A stretch erased or drawn; what is narrower than a pixel is nothing. */
export function mended(doc: Doc, correction: Correction): Doc {
  const columns = correction.points.map(([x]) => x);
  if (correction.points.length < 2 || Math.max(...columns) - Math.min(...columns) < 0.5) return doc;
  return { ...doc, corrections: [...doc.corrections, correction] };
}

/** Points of a stroke, one for each half pixel at the most. */
export function thinned(points: Point[]): Point[] {
  const kept = new Map<number, number>();
  points.forEach(([x, y]) => kept.set(Math.round(2 * x) / 2, tenth(y)));
  return [...kept].sort(([a], [b]) => a - b);
}

/** What an arrangement or another picture proposes here: looked at by nobody yet. */
export function arranged(panels: PanelSaid[]): Doc {
  const made = panels.map((said) => ({ ...panelAt(said.box as Box), ...said, id: nextId(), kind: said.kind ?? "curve", clock: said.clock as Clock, confirmed: false }) as Panel);
  const curves = made.filter((panel) => panel.kind === "curve");
  const shared = curves[0]?.clock ?? made[0]?.clock ?? emptyClock(0, 1);
  const same = (clock: Clock) => JSON.stringify(clock) === JSON.stringify(shared);
  return { panels: made.map((panel) => (panel.kind === "curve" && same(panel.clock!) ? { ...panel, clock: null } : panel)), clock: shared, corrections: [], mend: "" };
}

export const panelsSaid = (doc: Doc): PanelSaid[] => doc.panels.map(({ id: _, read: __, ...panel }) => ({ ...panel, clock: clockOf(doc, doc.panels.find((one) => one.id === _)!) }));

export function correctionsSaid(doc: Doc): Schemas["CorrectionSaid"][] {
  return doc.corrections.map((one) => ({ ...one, panel: 1 + doc.panels.findIndex((panel) => panel.id === one.panel) })).filter((one) => one.panel > 0);
}

// --- undo ------------------------------------------------------------------------------------------------------------

export interface History<T> { now: T; past: T[]; next: T[]; tag: string; when: number }

const MOST = 200;
const TOGETHER_MS = 900;

export const begun = <T>(now: T): History<T> => ({ now, past: [], next: [], tag: "", when: 0 });

/** A step; those of one tag that follow each other closely are one. */
export function stepped<T>(history: History<T>, now: T, tag = "", when = Date.now()): History<T> {
  if (now === history.now) return history;
  const together = tag !== "" && tag === history.tag && when - history.when < TOGETHER_MS;
  return { now, past: together ? history.past : [...history.past, history.now].slice(-MOST), next: [], tag, when };
}

export function back<T>(history: History<T>): History<T> {
  const before = history.past.at(-1);
  return before === undefined ? history : { now: before, past: history.past.slice(0, -1), next: [history.now, ...history.next], tag: "", when: 0 };
}

export function forth<T>(history: History<T>): History<T> {
  const [after, ...rest] = history.next;
  return after === undefined ? history : { now: after, past: [...history.past, history.now], next: rest, tag: "", when: 0 };
}
