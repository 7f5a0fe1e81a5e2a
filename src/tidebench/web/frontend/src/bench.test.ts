import { describe, expect, it } from "vitest";

import { breathsAt } from "./benchdraw";
import { stepped, typed } from "./sentences";
import { fromWords, toWords, type Said } from "./story";
import { Playhead, Track } from "./track";
import { BANDS, unpackFrame, type Frame } from "./wire";

/** A frame as the server packs it: each band counts on from its place, `since` runs within breaths of a second. */
function bytes(first: number, samples: number, generation = 1, parts = 2): ArrayBuffer {
  const made = new ArrayBuffer(32 + 4 * (BANDS.length * samples + 3 * parts));
  const head = new DataView(made);
  head.setFloat64(0, first / 100, true);
  head.setFloat32(8, 100, true);
  [samples, 3, 1, parts, generation].forEach((value, i) => head.setUint32(12 + 4 * i, value, true));
  const values = new Float32Array(made, 32);
  BANDS.forEach((name, row) => {
    for (let i = 0; i < samples; i += 1) values[row * samples + i] = name === "since" ? ((first + i) % 100) / 100 : row + (first + i) / 1000;
  });
  values.set([0.2, 0.3, 1, 0.9, 12, 13], BANDS.length * samples);
  return made;
}

const frame = (first: number, samples: number, generation = 1): Frame => unpackFrame(bytes(first, samples, generation));

describe("a frame is read as it was packed", () => {
  it("bands in their order, then the parts of the lung", () => {
    const read = frame(250, 4);
    expect([read.first, read.rate, read.samples, read.breaths, read.phase, read.generation]).toEqual([2.5, 100, 4, 3, 1, 1]);
    expect(read.bands.pressure[0]).toBeCloseTo(1.25);
    expect(read.bands.volume[3]).toBeCloseTo(8.253);
    expect([...read.levels]).toEqual([12, 13]);
  });
});

describe("a track keeps what arrives", () => {
  it("joins frames, and forgets another past", () => {
    const track = new Track();
    for (let at = 0; at < 350; at += 7) track.add(frame(at, 7));
    expect([track.first, track.last]).toEqual([0, 350]);
    expect(track.at("pressure", 249)).toBeCloseTo(1.249);
    track.add(frame(120, 5, 2));
    expect([track.first, track.last, track.generation]).toEqual([120, 125, 2]);
  });
  it("keeps the latest once it is full", () => {
    const track = new Track();
    for (let at = 0; at < 20000; at += 500) track.add(frame(at, 500));
    expect(track.last - track.first).toBe(8192);
    expect(track.at("muscle", 19999)).toBeCloseTo(5 + 19.999, 3);
  });
  it("finds the breath under way and those before it", () => {
    const track = new Track();
    track.add(frame(0, 350));
    expect(breathsAt(track, 349, 2)).toEqual([{ from: 300, to: 349 }, { from: 200, to: 299 }, { from: 100, to: 199 }]);
    expect(breathsAt(track, 40, 3)).toEqual([{ from: 0, to: 40 }]);
  });
});

describe("the moment shown moves evenly", () => {
  it("however unevenly samples arrive, and never ahead of them", () => {
    const head = new Playhead();
    let [newest, before] = [0, 0];
    const steps = [];
    for (let frames = 0; frames < 600; frames += 1) {
      const real = frames / 60;
      if (frames % 3 === 0) newest = real;
      const shown = head.move(1000 * real, newest, 1, true);
      expect(shown).toBeLessThanOrEqual(newest);
      if (frames > 300) steps.push(shown - before);
      before = shown;
    }
    expect(Math.min(...steps)).toBeGreaterThan(0.008);
    expect(Math.max(...steps)).toBeLessThan(0.025);
    expect(10 - before).toBeLessThan(0.1);
  });
  it("is the newest once time stands still, and jumps where there is nothing between", () => {
    const head = new Playhead();
    expect(head.move(0, 3, 1, false)).toBe(3);
    expect(head.move(16, 30, 2, true)).toBeCloseTo(30 - 0.08);
  });
});

describe("a setting moves on its grid", () => {
  it("in steps, within its limits", () => {
    expect(stepped(0.45, 0.01, 1, 0.21, 1)).toBe(0.46);
    expect(stepped(0.45, 0.01, -30, 0.21, 1)).toBe(0.21);
    expect(stepped(5.5, 1, 1, 0, 24)).toBe(7);
    expect(stepped(410, 5, -1, 2, 1000)).toBe(405);
  });

  it("and an emptied field sets nothing", () => {
    expect(typed("12,5")).toBe(12.5);
    expect(typed("0")).toBe(0);
    expect(typed(" ")).toBeNaN();
  });
});

describe("a link tells what was said", () => {
  it("and is read back", () => {
    const said: Said = { who: "copd", seed: 7, settings: [{ mode: "SIMV-VC\\PS", peep_cmh2o: 5 }, { at_s: 2.5, peep_cmh2o: 8 }], manoeuvres: [], events: [{ at_s: 3, kind: "bronchospasm", over_s: 0 }] };
    const words = toWords(said, 4.13);
    expect(words.did).toMatch(/^[\w-]+$/);
    expect(fromWords(words)).toEqual({ said, until: 4.13 });
  });
  it("without what was never said, and without what can't be read", () => {
    expect(toWords({ who: "copd", seed: 1, settings: [{ mode: "CPAP" }], manoeuvres: [], events: [] }, 0)).toEqual({ who: "copd", seed: "", did: "", at: "" });
    expect(fromWords({ who: "copd", did: "%%%", at: "7" })).toEqual({ said: { who: "copd", seed: 1 }, until: 0 });
  });
});
