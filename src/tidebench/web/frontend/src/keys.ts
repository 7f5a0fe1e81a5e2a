// Everything by keyboard: a key, what it does, and the sheet that `?` shows.
import { useLayoutEffect } from "preact/hooks";

export interface Key {
  keys: string[];
  words: string;
  group: string;
  act: (event: KeyboardEvent) => void;
}

const known = new Set<Key>();

export const keysKnown = (): Key[] => [...known];

const writes = (target: EventTarget | null): boolean =>
  target instanceof HTMLElement &&
  (target.isContentEditable || ["TEXTAREA", "SELECT"].includes(target.tagName) ||
    (target instanceof HTMLInputElement && !["checkbox", "radio", "button", "range"].includes(target.type)));

export function nameOf(event: Pick<KeyboardEvent, "key" | "shiftKey">): string {
  const shifted = event.shiftKey && event.key.length > 1 ? "Shift+" : "";
  return `${shifted}${event.key.length === 1 ? event.key.toLowerCase() : event.key}`;
}

export function pressed(event: KeyboardEvent): boolean {
  if (event.ctrlKey || event.metaKey || event.altKey || writes(event.target)) return false;
  const own = event.target instanceof HTMLElement && event.target.closest("[role=tablist], input[type=range]");
  if (own && event.key.startsWith("Arrow")) return false;
  const name = nameOf(event);
  const found = [...known].reverse().find((key) => key.keys.includes(name));
  if (!found) return false;
  event.preventDefault();
  found.act(event);
  return true;
}

if (typeof window !== "undefined") window.addEventListener("keydown", pressed);

/** Keys that hold while a part of the page is there: from the moment its words are to be seen. */
export function useKeys(keys: Key[], depends: unknown[]): void {
  useLayoutEffect(() => {
    keys.forEach((key) => known.add(key));
    return () => keys.forEach((key) => known.delete(key));
  }, depends);
}
