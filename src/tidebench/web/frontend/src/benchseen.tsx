// What the library measures of the bench so far, breath by breath, and what only the virtual patient knows.
import { useEffect, useRef, useState } from "preact/hooks";

import type { Quantity } from "./api";
import { Ask } from "./ask";
import { useKeys } from "./keys";
import type { BenchMeasured, BenchTruth } from "./wire";
import { capital, clock } from "./words";

const COLUMNS = 5;
const PACES: [seconds: number, words: string][] = [[15, "every quarter of a minute"], [0, "every breath"], [60, "every minute"], [Infinity, "not at all"]];

export function Breaths({ measured, known }: { measured: BenchMeasured | null; known: { [key: string]: Quantity } }) {
  const [open, setOpen] = useState("");
  const breaths = (measured?.breaths ?? []).slice(0, COLUMNS);
  const keys = breaths[0]?.numbers ?? [];
  return (
    <section aria-labelledby="breaths" class="stack">
      <h2 id="breaths">Breath by breath</h2>
      {breaths.length === 0 && <p class="quiet">The first breaths have to pass before anything is measured.</p>}
      {breaths.length > 0 && (
        <div class="scroll">
          <table class="small notebook">
            <caption class="small quiet">Measured as in a review of what was recorded so far; the latest breath first</caption>
            <thead><tr><th scope="col">began at</th>{breaths.map((one) => <th key={one.breath} scope="col" class="num" title={one.heading}>{clock(one.start_s)}</th>)}</tr></thead>
            <tbody>
              {keys.map(({ key, label }) => (
                <>
                  <tr key={key}>
                    <th scope="row"><button class="plain" aria-expanded={open === key} onClick={() => setOpen(open === key ? "" : key)}>{capital(label)}{known[key]?.unit && <span class="quiet"> {known[key]!.unit}</span>}</button></th>
                    {breaths.map((one) => {
                      const found = one.numbers.find((number) => number.key === key);
                      return <td key={one.breath} class="num" title={found?.reason || undefined}>{found ? found.value.replace(/ .*$/, "") : "–"}</td>;
                    })}
                  </tr>
                  {open === key && <tr key={`${key}-answer`}><td colSpan={breaths.length + 1}><div class="answer"><p>{known[key]?.definition ?? "Nothing more is known of it."}</p><p class="quiet">{known[key] && `After: ${known[key]!.source}.`} {keys.find((one) => one.key === key)?.reason}</p></div></td></tr>}
                </>
              ))}
            </tbody>
          </table>
        </div>
      )}
      <Spoken measured={measured} />
    </section>
  );
}

/** Numbers for who listens, no faster than they can be heard; what is new beside them at once. */
function Spoken({ measured }: { measured: BenchMeasured | null }) {
  const [pace, setPace] = useState(15);
  const [text, setText] = useState("");
  const said = useRef({ at: 0, breath: -1, hold: -1 });
  useEffect(() => {
    if (!measured) said.current = { at: 0, breath: -1, hold: -1 };
    const [breath, hold] = [measured?.breaths[0], measured?.holds[0]];
    if (hold && hold.at_s > said.current.hold) {
      said.current.hold = hold.at_s;
      return setText(hold.text);
    }
    if (!breath || breath.breath === said.current.breath || performance.now() < said.current.at + 1000 * pace) return;
    said.current = { ...said.current, at: performance.now(), breath: breath.breath };
    setText(breath.spoken);
  }, [measured, pace]);
  useKeys([{ keys: ["r"], group: "Live bench", words: "Say the last breath's numbers", act: () => setText(`${measured?.breaths[0]?.spoken ?? "No breath yet."} `) }], [measured]);
  return (
    <>
      <label class="row small">Said to screen readers <select value={String(pace)} onChange={(event) => setPace(Number(event.currentTarget.value))}>{PACES.map(([seconds, words]) => <option key={seconds} value={String(seconds)}>{words}</option>)}</select></label>
      <p class="hidden" role="log" aria-live="polite" aria-label="Breaths as they pass">{text}</p>
    </>
  );
}

const FIRST = 3;

export function Found({ measured }: { measured: BenchMeasured | null }) {
  const { holds = [], findings = [] } = measured ?? {};
  const matters = measured?.breaths.length ? measured.matters : [];
  const more = findings.length - FIRST;
  return (
    <section aria-labelledby="found" class="stack">
      <h2 id="found">What is found</h2>
      {matters.length + holds.length + findings.length === 0 && <p class="quiet">Nothing yet.</p>}
      <ul class="found">{holds.map((hold) => <li key={hold.at_s}>{hold.text}</li>)}{findings.slice(0, FIRST).map(finding)}</ul>
      {more > 0 && <details><summary>{more === 1 ? "One more before them" : `${more} more before them`}</summary><ul class="found">{findings.slice(FIRST).map(finding)}</ul></details>}
      {matters.length > 0 && <h3>What would matter first in a review</h3>}
      <ol class="small">{matters.map((one) => <li key={one.headline}><details><summary>{one.headline}</summary>{one.detail}</details></li>)}</ol>
    </section>
  );
}

const finding = (one: BenchMeasured["findings"][number]) => (
  <li key={`${one.kind} ${one.start_s}`}>
    <details><summary><b>{capital(one.label)}</b> at {one.time}. <span class="quiet">{one.evidence}</span></summary><p class="small">{one.about.seen} Often behind it: {one.about.behind} Looked at next: {one.about.further} {one.decide}</p></details>
  </li>
);

export function Truth({ truth, known }: { truth: BenchTruth | null; known: { [key: string]: Quantity } }) {
  return (
    <section aria-labelledby="truth">
      <h2 id="truth">What only a virtual patient tells</h2>
      <p class="small quiet">The truth of its last whole breath: no bedside has it. Compare it with what is measured.</p>
      <ul class="numbers">{truth?.numbers.map((one) => <Ask key={one.key} label={one.label} value={one.value} quantity={known[one.key]} from="the simulation itself" />)}</ul>
    </section>
  );
}
