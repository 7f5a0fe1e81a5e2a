import { describe, expect, it, vi } from "vitest";

import { freeLetter, readAlternatives, writeAlternatives, type Alternative } from "./alternatives";
import { unpack, upload } from "./api";
import { valueAt } from "./detail";
import { ticks } from "./draw";
import { mayBeLog } from "./handed";
import { nameOf, pressed, type Key } from "./keys";
import { readPlace, writePlace } from "./place";
import { pointed } from "./record";
import { spots } from "./review";
import { begin, inside, moved, next, showing, zoomed } from "./stretch";
import { clock, size } from "./words";
import { drawnBreaths } from "./whatif";
import type { Curves, Review } from "./api";

describe("the first step to a finding", () => {
  it("finds one whichever part of the record is shown", () => {
    expect(begin([5, 90], 60, 1)).toBe(1);
    expect(begin([5, 90], 60, -1)).toBe(0);
    expect(begin([0.49], 167, 1)).toBe(0);
    expect(begin([170], 60, -1)).toBe(0);
    expect(begin([], 60, 1)).toBe(-1);
    expect(begin([], 60, -1)).toBe(-1);
  });
});

describe("a place is its link", () => {
  it("reads back what was written, whatever a case is called", () => {
    for (const name of ["stiff-lungs", "a/b c?d#e%", "Größe +1"]) {
      const place = { room: "case" as const, name, words: { from: "1.5", f: "leak@12.000" } };
      expect(readPlace(writePlace(place))).toEqual(place);
    }
  });
  it("goes to the casebook from anywhere that isn't", () => {
    expect(readPlace("").room).toBe("casebook");
    expect(readPlace("#/nowhere/x").room).toBe("casebook");
    expect(readPlace("#/case/").room).toBe("casebook");
    expect(readPlace("#/case/%E0%A4%A").name).toBe("%E0%A4%A");
  });
  it("leaves empty words out", () => {
    expect(writePlace({ room: "case", name: "x", words: { b: "", tab: "save" } })).toBe("#/case/x?tab=save");
  });
});

describe("stretches stay inside the record", () => {
  it("however they are moved and widened", () => {
    for (const end of [0.2, 10, 86400]) {
      for (const stretch of [{ from: -5, to: 2 }, { from: end - 1, to: end + 9 }, { from: 3, to: 3 }, { from: 0, to: 1e9 }]) {
        for (const made of [inside(stretch, end), moved(stretch, 7, end), moved(stretch, -7, end), zoomed(stretch, 1e-9, end), zoomed(stretch, 1e9, end)]) {
          expect(made.from).toBeGreaterThanOrEqual(0);
          expect(made.to).toBeLessThanOrEqual(end + 1e-9);
          expect(made.to).toBeGreaterThan(made.from);
        }
      }
    }
  });
  it("keep their length where there is room, and stay where they show a moment", () => {
    expect(moved({ from: 10, to: 20 }, 0.5, 100)).toEqual({ from: 15, to: 25 });
    expect(showing({ from: 10, to: 20 }, 14, 15, 100)).toEqual({ from: 10, to: 20 });
    expect(showing({ from: 10, to: 20 }, 50, 52, 100)).toEqual({ from: 46, to: 56 });
    expect(showing({ from: 10, to: 20 }, 50, 90, 100)).toEqual({ from: 50, to: 60 });
  });
  it("find the next and the last moment", () => {
    expect(next([1, 5, 9], 5, 1)).toBe(2);
    expect(next([1, 5, 9], 5, -1)).toBe(0);
    expect(next([1, 5, 9], 9, 1)).toBe(-1);
    expect(next([], 0, -1)).toBe(-1);
  });
});

describe("words", () => {
  it("write the case clock as the library does", () => {
    expect(clock(245)).toBe("4:05");
    expect(clock(93845)).toBe("26:04:05");
    expect(clock(-3)).toBe("−0:03");
    expect(clock(59.96, 1)).toBe("1:00.0");
    expect(size(1_500_000)).toBe("1.5 MB");
  });
  it("put ticks at round steps", () => {
    expect(ticks(0, 30, 5)).toEqual([0, 10, 20, 30]);
    expect(ticks(-0.4, 0.4, 4)).toEqual([-0.4, -0.2, 0, 0.2, 0.4]);
    expect(ticks(1, 1, 4)).toEqual([]);
    expect(ticks(-45, 44, 6)).toEqual([-40, -20, 0, 20, 40]); // flow in a loop: a bare 0 is no scale
  });
});

describe("signals over the line", () => {
  const head = new TextEncoder().encode(JSON.stringify({ channels: [{ key: "flow", label: "flow", unit: "L/min", derived: false, points: 3 }] }));
  const pad = (4 - (head.length % 4)) % 4;
  const bytes = new ArrayBuffer(4 + head.length + pad + 24);
  new DataView(bytes).setUint32(0, head.length + pad, true);
  new Uint8Array(bytes).fill(32, 4, 4 + head.length + pad).set(head, 4);
  new Float32Array(bytes, 4 + head.length + pad).set([0, 0.01, 0.02, 5, NaN, 7]);
  it("keep their clock, and gaps stay gaps", () => {
    const [trace] = unpack(bytes, 86000);
    expect(trace!.time[1]).toBeCloseTo(86000.01, 6);
    expect(trace!.values).toEqual([5, null, 7]);
    expect(valueAt(trace!, 86000.02)).toBe(7);
    expect(valueAt(trace!, 86000.005)).toBe(null);
  });
});

describe("findings are stepped through", () => {
  const kind = (name: string, index: number[], starts_s: number[]) => ({ kind: name, index, starts_s, breaths: index.map(() => null) });
  const review = { kinds: [kind("leak", [1, 2], [5, 9]), kind("gap", [0], [7])] } as unknown as Review;
  it("in the order of time, without kinds that were left out", () => {
    expect(spots(review, new Set()).map((spot) => spot.index)).toEqual([1, 0, 2]);
    expect(spots(review, new Set(["leak"])).map((spot) => spot.kind)).toEqual(["gap"]);
  });
});

describe("keys", () => {
  it("are named as the sheet names them", () => {
    expect(nameOf({ key: "N", shiftKey: true })).toBe("n");
    expect(nameOf({ key: "ArrowLeft", shiftKey: true })).toBe("Shift+ArrowLeft");
    expect(nameOf({ key: "?", shiftKey: true })).toBe("?");
  });
  it("do nothing while somebody writes", () => {
    const field = document.createElement("textarea");
    const event = new KeyboardEvent("keydown", { key: "n" });
    Object.defineProperty(event, "target", { value: field });
    expect(pressed(event)).toBe(false);
    const key: Key = { keys: ["n"], words: "", group: "", act: () => undefined };
    expect(key.keys).toContain("n");
  });
});

describe("the curves of what-if", () => {
  const flat = (value: number, n: number): Curves => ({ time_s: Array.from({ length: n }, (_, i) => i / 100), airway_pressure: Array<number>(n).fill(value), flow: Array<number>(n).fill(value), volume: Array<number>(n).fill(value) });
  it("have a band between two series of its own where doubt is known", () => {
    const { data, series, bands } = drawnBreaths("flow", [flat(1, 3), flat(2, 3), flat(3, 4)], [null, null, { low: flat(2.5, 4), high: flat(3.5, 4) }]);
    expect(data.slice(1).map((values) => values[3])).toEqual([null, null, 3, 2.5, 3.5]);
    expect(series.map((one) => one.label)).toEqual(["recorded", "now", "then", "then, 5th", "then, 95th"]);
    expect(bands.map((band) => band.series)).toEqual([[5, 4]]);
  });
  it("have none in a sketch", () => {
    expect(drawnBreaths("volume", [flat(1, 3), flat(2, 3), flat(3, 4)], [null, null, null]).bands).toEqual([]);
  });
});

describe("the ribbon of findings", () => {
  const marks = [{ at: 0, to: 100 }, { at: 40, to: 42 }, { at: 50, to: 90 }].map((one) => ({ ...one, shape: "tick", words: "" }));
  it("answers along the whole extent of a finding, the latest that lasts first", () => {
    expect(pointed(marks, 20, 2)).toBe(0);
    expect(pointed(marks, 70, 2)).toBe(2);
    expect(pointed(marks, 95, 2)).toBe(0);
  });
  it("answers at a beginning that is near, and nowhere else", () => {
    expect(pointed(marks, 39, 2)).toBe(1);
    expect(pointed(marks, 120, 2)).toBe(-1);
  });
});

describe("alternatives that are kept", () => {
  const two: Alternative[] = [{ name: "A", settings: { peep_cmh2o: 12, rate_per_min: 18.5 } }, { name: "C", settings: { fio2: 0.4 } }];
  it("come back from the address as they were", () => {
    const place = { room: "whatif" as const, name: "case", words: { kept: writeAlternatives(two) } };
    expect(readAlternatives(readPlace(writePlace(place)).words.kept)).toEqual(two);
  });
  it("leave out what nobody can have kept", () => {
    expect(readAlternatives("A=;B;=peep:3;aa=peep:3;D=peep:x")).toEqual([]);
    expect(readAlternatives(undefined)).toEqual([]);
  });
  it("get the first letter that is free, and none beyond the last", () => {
    expect(freeLetter(two)).toBe("B");
    expect(freeLetter([..."ABCDEFGHIJKLMNOPQRSTUVWXYZ"].map((name) => ({ name, settings: {} })))).toBeUndefined();
  });
});

describe("a file on its way in", () => {
  const file = new File(["0123456789"], "long.csv");
  const allow = (bytes: number) => vi.stubGlobal("fetch", () => Promise.resolve(new Response(JSON.stringify({ bytes, words: "the file is too large." }))));
  it("is not sent when it is too large", async () => {
    const sent = vi.spyOn(XMLHttpRequest.prototype, "send").mockImplementation(function (this: XMLHttpRequest) {
      this.dispatchEvent(new Event("error"));
    });
    allow(9);
    await expect(upload("/uploads", file, () => undefined, new AbortController().signal)).rejects.toThrow("long.csv: the file is too large.");
    expect(sent).not.toHaveBeenCalled();
    allow(10);
    await upload("/uploads", file, () => undefined, new AbortController().signal).catch(() => undefined);
    expect(sent).toHaveBeenCalledOnce();
    vi.unstubAllGlobals();
    sent.mockRestore();
  });
  it("may be a log when it is text", () => {
    const named = (name: string) => mayBeLog(new File([], name));
    expect(["a.csv", "B.LOG", "c.txt"].every(named)).toBe(true);
    expect(["a.zip", "b.docx", "c.parquet", "log"].some(named)).toBe(false);
  });
});
