import { describe, expect, it } from "vitest";

import { readLimit, rounded, shownRange } from "./alarms";
import type { Part, Section } from "./api";
import { grouped } from "./care";
import { rowsOf, tableOf, withoutRow } from "./form";
import { handOver, takeOver } from "./handed";
import { readPlace, writePlace } from "./place";
import { fromWords, toWords } from "./room";
import { capital } from "./words";

const GASES = { key: "blood_gases", title: "Gas", note: "", several: true, folded: false, fields: [{ table: "blood_gases", key: "ph" }] } as unknown as Section;

describe("a room is its link", () => {
  it("with a case or without", () => {
    for (const name of ["", "Größe +1/2"]) {
      const place = { room: "gases" as const, name, words: { "blood_gases 2.ph": "7,3", "patient.sex": "female" } };
      expect(readPlace(writePlace(place))).toEqual(place);
    }
    expect(readPlace("#/cards?sign=leak").words.sign).toBe("leak");
    expect(readPlace("#/case/").room).toBe("casebook");
  });
  it("holds what was typed, and what was taken out of an open case", () => {
    const given = { patient: { height_cm: "168", sex: "female" } };
    const answers = { patient: { height_cm: "", sex: "female" }, "blood_gases 2": { ph: "7.3" } };
    const words = toWords(answers, given);
    expect(Object.keys(words).sort()).toEqual(["blood_gases 2.ph", "patient.height_cm"]);
    const again = fromWords(readPlace(writePlace({ room: "gases", name: "x", words })).words, given);
    expect(again.patient!.height_cm!.trim()).toBe("");
    expect(again.patient!.sex).toBe("female");
    expect(again["blood_gases 2"]!.ph).toBe("7.3");
    expect(toWords(given, given)).toEqual({});
  });
});

describe("tables that are filled in several times", () => {
  const answers = { blood_gases: { ph: "1" }, "blood_gases 2": { ph: "2" }, "blood_gases 3": { ph: "3" }, patient: { sex: "male" } };
  it("are counted, and lose the right row", () => {
    expect(tableOf("a", 1)).toBe("a");
    expect(rowsOf(GASES, answers)).toBe(3);
    expect(rowsOf(GASES, {})).toBe(1);
    expect(withoutRow(GASES, answers, 2)).toEqual({ blood_gases: { ph: "1" }, "blood_gases 2": { ph: "3" }, patient: { sex: "male" } });
    expect(withoutRow(GASES, answers, 1).blood_gases).toEqual({ ph: "2" });
    expect(answers["blood_gases 3"].ph).toBe("3");
  });
});

describe("limits", () => {
  it("are read from the address", () => {
    expect(readLimit("30.5@10")).toEqual({ limit: 30.5, delay_s: 10 });
    expect(readLimit("30")).toEqual({ limit: 30, delay_s: 0 });
    expect(readLimit("")).toBeNull();
    expect(readLimit("x@3")).toBeNull();
  });
  it("move by steps, inside what is drawn", () => {
    expect(rounded(30.04999, 0.1)).toBe(30);
    expect(rounded(267.6, 1)).toBe(268);
    const [low, high] = shownRange(20, 40);
    expect(low).toBeLessThan(20);
    expect(high).toBeGreaterThan(40);
  });
});

describe("pages", () => {
  it("go on with the part before where there is no heading", () => {
    const parts = ["", "A", "", "B"].map((heading) => ({ heading }) as Part);
    expect(grouped(parts).map(([heading, some]) => [heading, some.length])).toEqual([["", 1], ["A", 2], ["B", 1]]);
  });
  it("write pH as it is written", () => {
    expect(capital("pH")).toBe("pH");
    expect(capital("rate")).toBe("Rate");
  });
  it("hand a file to the room that is meant", () => {
    const file = new File(["x"], "x.log");
    handOver(file, "log");
    expect(takeOver()).toBeNull();
    expect(takeOver("log")).toBe(file);
    expect(takeOver("log")).toBeNull();
  });
});
