// What lessons say of marks, and small things that can be tried without a page.
import type { LessonFigure, Lesson, StepState } from "./lessonapi";

export const RIGHT = 0.999;
export const KINDS: Record<string, string> = {
  explain: "explained", show: "shown", find: "breaths to find", measure: "a number to measure", predict: "something to foresee", act: "a patient to treat", choose: "a question",
};

/** What an answer was worth, in words and a sign that needs no colour. */
export function verdict(points: number): { sign: string; words: string; kind: "right" | "part" | "wrong" } {
  if (points >= RIGHT) return { sign: "✓", words: "Right", kind: "right" };
  if (points > 0) return { sign: "◐", words: `Partly right: ${Math.round(100 * points)} % of the mark`, kind: "part" };
  return { sign: "✕", words: "Not right", kind: "wrong" };
}

/** Lessons whose words hold every word that is searched for. */
export function found(lessons: Lesson[], search: string): Lesson[] {
  const words = search.toLowerCase().split(/\s+/).filter(Boolean);
  return lessons.filter((one) => {
    const text = [one.title, one.name, one.audience, ...one.objectives].join(" ").toLowerCase();
    return words.every((word) => text.includes(word));
  });
}

/** The first step that may not be passed over: a question without an answer. */
export function barrier(steps: StepState[]): number {
  const open = steps.findIndex((one) => one.asks && one.points === null);
  return open < 0 ? steps.length - 1 : open;
}

export interface Grouped {
  letter: string;
  text: string;
  spans: { start_s: number; end_s: number }[];
}

/** What is pointed at, by its words, each with a letter. */
export function grouped(pointed: LessonFigure["pointed"]): Grouped[] {
  const groups: Grouped[] = [];
  for (const one of pointed) {
    let group = groups.find((known) => known.text === one.text);
    if (!group) groups.push((group = { letter: String.fromCharCode(97 + groups.length), text: one.text, spans: [] }));
    group.spans.push({ start_s: one.start_s, end_s: one.end_s });
  }
  return groups;
}

/** The number of the breath at a moment; null between or outside of breaths. */
export function breathAt(breaths: LessonFigure["breaths"], time: number): number | null {
  return breaths.find((one) => time >= one.start_s && time < one.end_s)?.number ?? null;
}

/** A number as people write it: a decimal comma or point, a true minus. NaN where it is none. */
export const readNumber = (text: string): number => {
  const plain = text.trim().replace(",", ".").replace("−", "-");
  return plain === "" ? NaN : Number(plain);
};

/** A seed: a whole number that isn't negative; null where nothing is said, NaN where it can't be. */
export function readSeed(text: string): number | null {
  if (text.trim() === "") return null;
  return /^\d{1,9}$/.test(text.trim()) ? Number(text.trim()) : NaN;
}
