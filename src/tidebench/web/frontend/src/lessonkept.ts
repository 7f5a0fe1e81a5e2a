// What this browser keeps of lessons: the tokens of attempts and classes, and what was done at a bench that is under way.
import type { Action } from "./lessonapi";

type Shelf = Pick<Storage, "getItem" | "setItem" | "removeItem">;
const KEPT = "tidebench-lessons";
const MOST = 60;

export interface Under {
  token: string;
  seed: number;
  title: string;
}

export interface Taught {
  teacher: string;
  title: string;
}

export interface Run {
  actions: Action[];
  until_s: number;
}

interface Kept {
  alone: Record<string, Under>;
  joined: Record<string, string>;
  taught: Record<string, Taught>;
  runs: Record<string, Run>;
}

/** Kept things by what they are, the oldest thrown away beyond a number. */
export class Keeper {
  constructor(private readonly shelf: Shelf) {}

  private all(): Kept {
    const none: Kept = { alone: {}, joined: {}, taught: {}, runs: {} };
    try {
      return { ...none, ...(JSON.parse(this.shelf.getItem(KEPT) ?? "{}") as Partial<Kept>) };
    } catch {
      return none;
    }
  }

  read<K extends keyof Kept>(kind: K, name: string): Kept[K][string] | undefined {
    return this.all()[kind][name] as Kept[K][string] | undefined;
  }

  list<K extends keyof Kept>(kind: K): [string, Kept[K][string]][] {
    return Object.entries(this.all()[kind]) as [string, Kept[K][string]][];
  }

  keep<K extends keyof Kept>(kind: K, name: string, value: Kept[K][string] | null): void {
    const all = this.all();
    const rows = all[kind] as Record<string, Kept[K][string]>;
    delete rows[name];
    if (value !== null) rows[name] = value;
    const names = Object.keys(rows);
    for (const old of names.slice(0, Math.max(0, names.length - MOST))) delete rows[old];
    this.shelf.setItem(KEPT, JSON.stringify(all));
  }
}

const noShelf: Shelf = { getItem: () => null, setItem: () => undefined, removeItem: () => undefined };
export const keeper = new Keeper(typeof localStorage === "undefined" ? noShelf : localStorage);

/** A run belongs to one learner's step. */
export const runName = (token: string, step: string): string => `${token.slice(0, 12)} ${step}`;
