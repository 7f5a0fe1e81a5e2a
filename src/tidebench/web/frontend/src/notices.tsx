// Short messages that don't stand in the way; one may offer to take something back.
import { useEffect, useState } from "preact/hooks";

interface Notice {
  text: string;
  undo?: () => void;
  id: number;
}

const STAYS_MS = 9000;
let count = 0;
let shown: Notice[] = [];
const listeners = new Set<() => void>();
const set = (notices: Notice[]) => {
  shown = notices;
  listeners.forEach((listener) => listener());
};

export function say(text: string, undo?: () => void): void {
  const id = (count += 1);
  set([...shown.filter((notice) => notice.text !== text).slice(-2), { text, undo, id }]);
  window.setTimeout(() => set(shown.filter((notice) => notice.id !== id)), STAYS_MS);
}

export function undoLast(): void {
  const last = [...shown].reverse().find((notice) => notice.undo);
  if (!last) return;
  set(shown.filter((notice) => notice.id !== last.id));
  last.undo!();
}

export function Notices() {
  const [, again] = useState(0);
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
          {notice.undo && <button onClick={undoLast}>Take back <kbd>z</kbd></button>}
        </div>
      ))}
    </div>
  );
}
