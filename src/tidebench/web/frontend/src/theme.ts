// Light and dark, as the system has it unless somebody chose.
import { useEffect, useState } from "preact/hooks";

export type Choice = "system" | "light" | "dark";
const KEPT = "tidebench-theme";
const colours = new Map<string, string>();
const listeners = new Set<() => void>();
const dark = typeof window !== "undefined" && window.matchMedia ? window.matchMedia("(prefers-color-scheme: dark)") : null;

export function chosen(): Choice {
  const kept = localStorage.getItem(KEPT);
  return kept === "light" || kept === "dark" ? kept : "system";
}

export function choose(choice: Choice): void {
  localStorage.setItem(KEPT, choice);
  apply();
}

export const shown = (): "light" | "dark" => {
  const choice = chosen();
  return choice === "system" ? (dark?.matches ? "dark" : "light") : choice;
};

export function apply(): void {
  document.documentElement.dataset.theme = shown();
  colours.clear();
  listeners.forEach((listener) => listener());
}

dark?.addEventListener("change", apply);

/** The theme that is shown; whoever draws on a canvas draws anew when it changes. */
export function useTheme(): "light" | "dark" {
  const [theme, set] = useState(shown);
  useEffect(() => {
    const listener = () => set(shown());
    listeners.add(listener);
    return () => void listeners.delete(listener);
  }, []);
  return theme;
}

/** A colour of the page, for canvases. */
export function colour(name: string): string {
  const known = colours.get(name);
  if (known) return known;
  const found = getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  if (found) colours.set(name, found);
  return found;
}
