import { describe, expect, it } from "vitest";

import { added, arranged, back, begun, correctionsSaid, emptyClock, forth, mended, moved, panelsSaid, panelUnder, placeOf, proposed, removed, stepped, thinned, withClock, withMark, within, type Box } from "./picstate";

const SIZE: [number, number] = [1280, 720];
const BOXES: Box[] = [[100, 60, 1200, 240], [100, 290, 1200, 470]];
const made = () => proposed(BOXES, SIZE);

describe("panels of a picture", () => {
  it("are proposed without a figure and unconfirmed, on one clock", () => {
    const doc = made();
    expect(doc.panels.map((panel) => [panel.confirmed, panel.quantity, panel.values.map((mark) => mark.value)])).toEqual([[false, "", ["", ""]], [false, "", ["", ""]]]);
    expect(doc.clock.marks.map((mark) => mark.at)).toEqual([100, 1200]);
    expect(doc.panels.every((panel) => panel.clock === null)).toBe(true);
  });

  it("take figures that were read as proposals, and say nothing of them to the server", () => {
    const values = [{ at: 220, value: "0" }, { at: 80, value: "30" }];
    const doc = proposed(BOXES, SIZE, [{ values, times: null }, { values: null, times: [{ at: 100, value: "0" }, { at: 900, value: "10" }] }]);
    expect(doc.panels.map((panel) => [panel.read, panel.confirmed, panel.values[1].value])).toEqual([[true, false, "30"], [true, false, ""]]);
    expect(doc.clock.marks[1]).toEqual({ at: 900, value: "10" });
    expect(panelsSaid(doc)[0]).not.toHaveProperty("read");
  });

  it("move by one part, and no edge past the other or out of the picture", () => {
    const doc = made();
    const id = doc.panels[0]!.id;
    expect(moved(doc, id, "left", 7, 99, SIZE).panels[0]!.box).toEqual([107, 60, 1200, 240]);
    expect(moved(doc, id, "left", 5000, 0, SIZE).panels[0]!.box).toEqual([1184, 60, 1200, 240]);
    expect(moved(doc, id, "right", 5000, 0, SIZE).panels[0]!.box[2]).toBe(1279);
    expect(moved(doc, id, "value1", 3, -2, SIZE).panels[0]!.values.map((mark) => mark.at)).toEqual([240, 58]);
  });

  it("take their marks along as a whole, and share a clock unless they have their own", () => {
    const doc = made();
    const [one, other] = doc.panels;
    const whole = moved(doc, one!.id, "whole", 10, -500, SIZE);
    expect(whole.panels[0]!.box).toEqual([110, 0, 1210, 180]);
    expect(whole.panels[0]!.values[0].at).toBe(180);
    expect(whole.clock).toBe(doc.clock);
    const timed = moved(doc, other!.id, "time0", 5, 0, SIZE);
    expect(placeOf(timed, timed.panels[0]!, "time0")).toEqual([105, 60]);
    const own = { ...doc, panels: [{ ...one!, clock: emptyClock(100, 1200) }, other!] };
    const apart = moved(own, one!.id, "time0", 5, 0, SIZE);
    expect([placeOf(apart, apart.panels[0]!, "time0")[0], placeOf(apart, apart.panels[1]!, "time0")[0]]).toEqual([105, 100]);
  });

  it("are added where there is room, found under a point, and take their corrections away with them", () => {
    const doc = added(made(), SIZE);
    expect(doc.panels).toHaveLength(3);
    expect(doc.panels[2]!.box[1]).toBeGreaterThan(470);
    expect(panelUnder(doc, [600, 300])!.id).toBe(doc.panels[1]!.id);
    expect(panelUnder(doc, [5, 5])).toBeUndefined();
    const fixed = mended(doc, { panel: doc.panels[1]!.id, kind: "erase", points: [[200, 300], [220, 300]] });
    expect(correctionsSaid(fixed)[0]!.panel).toBe(2);
    expect(removed(fixed, doc.panels[1]!.id).corrections).toEqual([]);
    expect(within(doc.panels[0]!.box, [0, 999])).toEqual([100, 240]);
  });

  it("go to the server with the clock each has, and come back from an arrangement to be confirmed anew", () => {
    const doc = made();
    const filled = withClock(doc, doc.panels[0]!, { ...doc.clock, marks: withMark(doc.clock.marks, 1, { value: "12" }) });
    const said = panelsSaid({ ...filled, panels: filled.panels.map((panel) => ({ ...panel, confirmed: true })) });
    expect(said.map((panel) => panel.clock.marks[1]!.value)).toEqual(["12", "12"]);
    expect(said[0]).not.toHaveProperty("id");
    const again = arranged(said);
    expect(again.panels.map((panel) => [panel.confirmed, panel.clock])).toEqual([[false, null], [false, null]]);
    expect(again.clock.marks[1]!.value).toBe("12");
  });
});

describe("a stroke", () => {
  it("has one point for each half pixel, from left to right, the later over the earlier", () => {
    expect(thinned([[3, 1], [1, 5], [1.1, 7.005], [2, 6]])).toEqual([[1, 7.01], [2, 6], [3, 1]]);
  });

  it("that is narrower than half a pixel is none", () => {
    const doc = made();
    expect(mended(doc, { panel: doc.panels[0]!.id, kind: "draw", points: [[5, 5], [5.2, 9]] })).toBe(doc);
  });
});

describe("undo", () => {
  it("takes close steps of one kind back as one, and brings them forth again", () => {
    let history = begun("a");
    history = stepped(history, "b", "edge", 1000);
    history = stepped(history, "c", "edge", 1500);
    history = stepped(history, "d", "mark", 1600);
    expect(back(history).now).toBe("c");
    expect(back(back(history)).now).toBe("a");
    expect(forth(back(history)).now).toBe("d");
    expect(back(begun("x")).now).toBe("x");
  });

  it("forgets what lay ahead when something new is done", () => {
    const history = stepped(back(stepped(begun(1), 2)), 3);
    expect(forth(history).now).toBe(3);
  });
});
