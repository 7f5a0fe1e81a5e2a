// Short messages that don't stand in the way; one may offer to take something back. A message goes by itself, what it
// offers stays until the room is left.
import { useEffect, useRef, useState } from "preact/hooks";

import { usePlace } from "./place";

interface Notice {
  text: string;
  undo?: () => void;
  id: number;
}

const STAYS_MS = 9000;
const MOST_UNDOS = 50;
const MOVE_MS = 1000;
let count = 0;
let shown: Notice[] = [];
let undos: { id: number; undo: () => void }[] = [];
const listeners = new Set<() => void>();
const set = (notices: Notice[]) => {
  shown = notices;
  listeners.forEach((listener) => listener());
};

export function say(text: string, undo?: () => void): void {
  const id = undo ? remember(undo) : (count += 1);
  set([...shown.filter((notice) => notice.text !== text).slice(-2), { text, undo, id }]);
  window.setTimeout(() => set(shown.filter((notice) => notice.id !== id)), STAYS_MS);
}

/** A change that can be taken back, without a message. */
export function remember(undo: () => void): number {
  const id = (count += 1);
  undos = [...undos, { id, undo }].slice(-MOST_UNDOS);
  set(shown); // what is offered beside an earlier message isn't the last change any more
  return id;
}

/** What is dragged, or goes by arrow keys, is one change from its first step to its rest. */
export function useMoving(): (undo: () => void) => void {
  const last = useRef(0);
  return (undo) => {
    if (Date.now() - last.current > MOVE_MS) remember(undo);
    last.current = Date.now();
  };
}

export function undoLast(): void {
  const last = undos.at(-1);
  if (!last) return say("There is nothing to take back.");
  undos = undos.slice(0, -1);
  set(shown.filter((notice) => notice.id !== last.id));
  last.undo();
}

/** What was changed is out of sight now, and stays as it is. */
export function forget(): void {
  undos = [];
  set(shown.map(({ text, id }) => ({ text, id })));
}

export function Notices() {
  const [, again] = useState(0);
  const { room, name } = usePlace();
  useEffect(() => forget, [room, name]);
  useEffect(() => {
    const listener = () => again((n) => n + 1);
    listeners.add(listener);
    return () => void listeners.delete(listener);
  }, []);
  return (
    <div class="notices" role="status" aria-live="polite">
      {shown.map((notice) => (
        <div class="notice" key={notice.id}>
          <span class="grow">{notice.text}</span>
          {notice.undo && notice.id === undos.at(-1)?.id && <button onClick={undoLast}>Take back <kbd>z</kbd></button>}
        </div>
      ))}
    </div>
  );
}
