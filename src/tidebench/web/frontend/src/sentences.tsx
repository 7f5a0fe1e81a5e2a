// Settings as sentences: numbers and words in them are changed in place, by typing or by arrow keys.
import { Fragment } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";

import type { BenchPart } from "./wire";

type Set = (settings: { [key: string]: number | string }) => void;
type NumberPart = Extract<BenchPart, { part?: "number" }> & { part: "number" };
type ChoicePart = Extract<BenchPart, { part?: "choice" }> & { part: "choice" };

export function Sentences({ sentences, set }: { sentences: BenchPart[][]; set: Set }) {
  return (
    <div class="sentence">
      {sentences.map((parts, i) => <p key={i}>{parts.map((part, k) => <Fragment key={k}>{k > 0 && !closes(part) && " "}{piece(part, set)}</Fragment>)}</p>)}
    </div>
  );
}

const closes = (part: BenchPart): boolean => part.part === "words" && /^[.,;]/.test(part.text);

function piece(part: BenchPart, set: Set) {
  if (part.part === "number") return <Blank part={part as NumberPart} set={set} />;
  if (part.part === "choice") return <Choice part={part as ChoicePart} set={set} />;
  return part.text;
}

/** The nearest value on the grid of steps, one step up or down. */
export function stepped(value: number, step: number, by: number, low: number, high: number): number {
  const next = (Math.round(value / step) + by) * step;
  return Number(Math.min(high, Math.max(low, next)).toFixed(6));
}

/** What is typed as a number; an emptied field says none, not nought. */
export const typed = (text: string): number => (text.trim() ? Number(text.replace(",", ".")) : NaN);

export function Blank({ part, set }: { part: NumberPart; set: Set }) {
  const { key, label, unit, low, high, step } = part;
  const [text, setText] = useState(String(part.value));
  const value = useRef(part.value);
  const writing = useRef(false);
  useEffect(() => {
    value.current = part.value;
    if (!writing.current) setText(String(part.value));
  }, [part]);
  const put = (next: number) => {
    writing.current = false;
    if (!Number.isFinite(next) || next === value.current) return setText(String(value.current));
    value.current = next;
    setText(String(next));
    set({ [key]: next });
  };
  const pressed = (event: KeyboardEvent) => {
    const by = { ArrowUp: 1, ArrowDown: -1, PageUp: 5, PageDown: -5 }[event.key];
    if (event.key === "Escape") put(value.current);
    if (event.key === "Enter") put(typed(text));
    if (!by) return;
    event.preventDefault();
    put(stepped(value.current, step, by, low, high));
  };
  return (
    <span class="blank">
      <input
        type="text" inputMode="decimal" role="spinbutton" aria-label={`${label}, ${unit || "a fraction"}`} aria-valuenow={value.current} aria-valuemin={low} aria-valuemax={high}
        size={Math.max(2, text.length)} value={text} autocomplete="off" onInput={(event) => ((writing.current = true), setText(event.currentTarget.value))} onKeyDown={pressed} onBlur={() => put(typed(text))}
      />
      <button class="plain" tabIndex={-1} aria-hidden="true" onClick={() => put(stepped(value.current, step, -1, low, high))}>−</button>
      <button class="plain" tabIndex={-1} aria-hidden="true" onClick={() => put(stepped(value.current, step, 1, low, high))}>+</button>
      {unit && <> {unit}</>}
    </span>
  );
}

function Choice({ part, set }: { part: ChoicePart; set: Set }) {
  return (
    <select aria-label={part.label} value={part.value} onChange={(event) => set({ [part.key]: event.currentTarget.value })}>
      {part.options.map(([value, words]) => <option key={value} value={value}>{words}</option>)}
    </select>
  );
}
