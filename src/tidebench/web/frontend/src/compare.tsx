// Two stretches side by side: their signals on one scale, and what differs.
import { useEffect, useState } from "preact/hooks";
import type uPlot from "uplot";

import { caseUrl, get, signals, stopped, type Comparison, type Quantity, type Trace } from "./api";
import { say } from "./notices";
import { look } from "./place";
import { Plot } from "./plot";
import type { Stretch } from "./stretch";
import { colour } from "./theme";
import { capital, clock } from "./words";

interface Props {
  name: string;
  end: number;
  stretch: Stretch;
  see: (stretch: Stretch) => void;
  known: { [key: string]: Quantity };
  words: { [key: string]: string };
}

const sideOf = (text: string | undefined): Stretch | null => {
  const [from, to] = (text ?? "").split("~").map(Number);
  return from !== undefined && to !== undefined && to > from ? { from, to } : null;
};

export function Compare({ name, stretch, see, words }: Props) {
  const [a, b] = [sideOf(words.a), sideOf(words.z)];
  const both = [useTraces(name, a), useTraces(name, b)];
  const [told, setTold] = useState<Comparison | null>(null);
  const keep = (key: "a" | "z") => look({ [key]: `${stretch.from.toFixed(2)}~${stretch.to.toFixed(2)}` });
  useEffect(() => {
    if (!a || !b) return setTold(null);
    const way = new AbortController();
    get<Comparison>(`${caseUrl(name)}/compare?a_from=${a.from}&a_to=${a.to}&b_from=${b.from}&b_to=${b.to}`, way.signal).then(setTold, (error: Error) => stopped(error) || say(error.message));
    return () => way.abort();
  }, [name, words.a, words.z]);
  return (
    <>
      <h2>Two stretches side by side</h2>
      <p class="small quiet">Choose a stretch of the record, take it as the first; choose another, take it as the second.</p>
      <div class="sides">
        <Side label="First" side={a} take={() => keep("a")} see={see} traces={both[0]!} all={both} />
        <Side label="Second" side={b} take={() => keep("z")} see={see} traces={both[1]!} all={both} />
      </div>
      {told && (
        <>
          <div class="scroll">
            <table class="small">
              <caption class="hidden">Medians of the two stretches</caption>
              <thead><tr><th scope="col">median</th><th scope="col" class="num">first → second</th><th scope="col" class="num">5th to 95th</th></tr></thead>
              <tbody>
                {told.effects.map((effect) => (
                  <tr key={effect.key}>
                    <th scope="row">{capital(effect.label)} {effect.unit && `[${effect.unit}]`}</th>
                    <td class="num">{effect.clear ? <strong>{effect.change} apart</strong> : effect.change}</td>
                    <td class="num">{effect.spread}</td>
                  </tr>
                ))}
              </tbody>
            </table>
          </div>
          <p class="small quiet">“Apart”: the middle nine tenths of the two don't overlap. An en dash: too few breaths on one side tell it.</p>
          <Counts told={told} />
        </>
      )}
    </>
  );
}

/** The first channels of a stretch, at most half a minute of them. */
function useTraces(name: string, side: Stretch | null): Trace[] {
  const [traces, setTraces] = useState<Trace[]>([]);
  useEffect(() => {
    if (!side) return setTraces([]);
    const way = new AbortController();
    signals(name, side.from, Math.min(side.to, side.from + 30), 1200, way.signal).then((all) => setTraces(all.slice(0, 2)), (error: Error) => stopped(error) || say(error.message));
    return () => way.abort();
  }, [name, side?.from, side?.to]);
  return traces;
}

/** One scale for a channel of both stretches, so that the eye may compare. */
function common(all: Trace[][], key: string): uPlot.Scale.Range {
  const values = all.flat().filter((trace) => trace.key === key).flatMap((trace) => trace.values).filter((value): value is number => value !== null);
  const [low, high] = values.reduce(([least, most], value) => [Math.min(least, value), Math.max(most, value)], [0, 1]);
  return [low * 1.08, high * 1.08] as unknown as uPlot.Scale.Range;
}

function Side({ label, side, take, see, traces, all }: { label: string; side: Stretch | null; take: () => void; see: (stretch: Stretch) => void; traces: Trace[]; all: Trace[][] }) {
  return (
    <div class="stack">
      <div class="row"><h3 class="grow">{label}</h3><button onClick={take}>Take this stretch</button></div>
      {side ? <button class="plain" onClick={() => see(side)}>{clock(side.from)} to {clock(side.to)}: show it</button> : <p class="small quiet">not chosen yet</p>}
      {side && traces.map((trace) => (
        <figure key={trace.key} style={{ margin: 0 }}>
          <figcaption class="small">{capital(trace.label)} [{trace.unit}]</figcaption>
          <Plot key={String(common(all, trace.key))} range={common(all, trace.key)} label={`${trace.label} of the ${label.toLowerCase()} stretch`} data={[trace.time, trace.values] as uPlot.AlignedData} height={120} timeAxis
            series={[{ label: trace.label, stroke: () => colour("ink"), width: 1.2, points: { show: false } }]} from={side.from} to={Math.min(side.to, side.from + 30)} />
        </figure>
      ))}
    </div>
  );
}

function Counts({ told }: { told: Comparison }) {
  const kinds = [...new Set([...Object.keys(told.first.findings), ...Object.keys(told.second.findings)])].sort();
  return (
    <table class="small">
      <caption class="hidden">Findings of the two stretches</caption>
      <thead><tr><th scope="col">found</th><th scope="col" class="num">{told.first.text}</th><th scope="col" class="num">{told.second.text}</th></tr></thead>
      <tbody>
        {kinds.map((kind) => <tr key={kind}><th scope="row">{capital(kind)}</th><td class="num">{told.first.findings[kind] ?? 0}</td><td class="num">{told.second.findings[kind] ?? 0}</td></tr>)}
        {!kinds.length && <tr><td colSpan={3}>Nothing in either.</td></tr>}
      </tbody>
    </table>
  );
}
