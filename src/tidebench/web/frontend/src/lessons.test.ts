import { describe, expect, it } from "vitest";

import type { Lesson, StepState } from "./lessonapi";
import { parted } from "./lessonfigure";
import { Keeper, runName } from "./lessonkept";
import { barrier, breathAt, found, grouped, readNumber, readSeed, verdict } from "./lessonwords";
import { readPlace, writePlace } from "./place";

const step = (kind: string, points: number | null): StepState => ({ key: kind, title: kind, kind, asks: !["explain", "show"].includes(kind), points });
const lesson = (name: string, title: string, objectives: string[]): Lesson => ({ name, title, objectives, audience: "nurses", minutes: 9, cautions: [], sources: [], kinds: [], pass_percent: 75, own: false });

describe("a lesson's steps", () => {
  it("go as far as the first question without an answer", () => {
    expect(barrier([step("explain", null), step("find", 0), step("choose", null), step("act", null)])).toBe(2);
    expect(barrier([step("explain", null), step("find", 1)])).toBe(1);
  });
  it("are marked with a sign that needs no colour", () => {
    expect([1, 0.5, 0].map((points) => verdict(points).sign)).toEqual(["✓", "◐", "✕"]);
    expect(verdict(0.333).words).toContain("33 %");
  });
});

describe("lessons are found", () => {
  const all = [lesson("trapped-gas", "Trapped gas", ["Measures it with a hold"]), lesson("child", "A child", ["Relates volume to weight"])];
  it("by every word, wherever it stands", () => {
    expect(found(all, "hold GAS").map((one) => one.name)).toEqual(["trapped-gas"]);
    expect(found(all, "nurses")).toHaveLength(2);
    expect(found(all, "hold child")).toEqual([]);
  });
});

describe("what is pointed at", () => {
  it("is lettered by its words", () => {
    const groups = grouped([{ start_s: 1, end_s: 2, text: "missed" }, { start_s: 3, end_s: 4, text: "not" }, { start_s: 5, end_s: 6, text: "missed" }]);
    expect(groups.map((one) => [one.letter, one.text, one.spans.length])).toEqual([["a", "missed", 2], ["b", "not", 1]]);
  });
  it("a breath is marked from its start to the next one's", () => {
    const breaths = [{ number: 1, start_s: 1, turn_s: 2, end_s: 4 }, { number: 2, start_s: 4, turn_s: 5, end_s: 7 }];
    expect([0.5, 1, 3.9, 4, 7].map((time) => breathAt(breaths, time))).toEqual([null, 1, 1, 2, null]);
  });
  it("headings part into words and unit", () => {
    expect(parted("flow [L/min]")).toEqual(["flow", "L/min"]);
    expect(parted("pH")).toEqual(["pH", ""]);
  });
});

describe("numbers as people write them", () => {
  it("take a decimal comma and a true minus, and nothing else", () => {
    expect([" 12,5 ", "−3", "7.2"].map(readNumber)).toEqual([12.5, -3, 7.2]);
    expect(["", "twelve", "1 2"].map(readNumber)).toEqual([NaN, NaN, NaN]);
  });
  it("a seed is whole, or left to chance", () => {
    expect(readSeed(" ")).toBeNull();
    expect(readSeed("42")).toBe(42);
    expect(["-1", "1.5", "x", "1234567890"].map(readSeed)).toEqual([NaN, NaN, NaN, NaN]);
  });
});

describe("what the browser keeps", () => {
  const shelf = () => {
    const kept = new Map<string, string>();
    return { getItem: (key: string) => kept.get(key) ?? null, setItem: (key: string, text: string) => void kept.set(key, text), removeItem: (key: string) => void kept.delete(key) };
  };
  it("comes back, until it is put away", () => {
    const keeper = new Keeper(shelf());
    keeper.keep("joined", "link", "token");
    expect(keeper.read("joined", "link")).toBe("token");
    keeper.keep("joined", "link", null);
    expect(keeper.read("joined", "link")).toBeUndefined();
  });
  it("forgets the oldest, and survives what it can't read", () => {
    const kept = shelf();
    const keeper = new Keeper(kept);
    for (let i = 0; i < 70; i += 1) keeper.keep("joined", `link ${i}`, "token");
    expect(keeper.list("joined")).toHaveLength(60);
    expect(keeper.read("joined", "link 9")).toBeUndefined();
    kept.setItem("tidebench-lessons", "{");
    expect(keeper.list("joined")).toEqual([]);
  });
  it("a run is one learner's and one step's", () => {
    expect(new Set([runName("a".repeat(43), "hold"), runName("b".repeat(43), "hold"), runName("a".repeat(43), "act")]).size).toBe(3);
  });
});

describe("places", () => {
  it("name a lesson, a class and its teacher", () => {
    for (const hash of ["#/lessons", "#/lessons/trapped-gas?seed=5&step=2", "#/class/ab_c-d", "#/teach?lesson=child"]) expect(writePlace(readPlace(hash))).toBe(hash);
  });
});
