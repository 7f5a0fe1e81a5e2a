import { afterEach, describe, expect, it, vi } from "vitest";

import { forget, remember, say, undoLast } from "./notices";

describe("what was changed can be taken back", () => {
  afterEach(() => {
    forget();
    vi.useRealTimers();
  });
  it("after its message has gone, the last change first", () => {
    vi.useFakeTimers();
    const back: string[] = [];
    for (const one of ["a", "b", "c", "d", "e"]) say(one, () => back.push(one));
    vi.advanceTimersByTime(60_000);
    for (let i = 0; i < 6; i += 1) undoLast();
    expect(back).toEqual(["e", "d", "c", "b", "a"]);
  });
  it("without a message, too", () => {
    const back: number[] = [];
    remember(() => back.push(1));
    undoLast();
    undoLast();
    expect(back).toEqual([1]);
  });
  it("no longer once the room was left", () => {
    const back: number[] = [];
    say("marked", () => back.push(1));
    forget();
    undoLast();
    expect(back).toEqual([]);
  });
});
