// What-if: a patient fitted to a stretch, settings that can be moved, and what would come of it, with its doubt.
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import type uPlot from "uplot";

import { freeLetter, readAlternatives, readSettings, writeAlternatives, writeSettings, type Alternative, type Settings } from "./alternatives";
import { caseUrl, fetchFile, get, send, stopped, type Band, type Change, type Curves, type Fit, type Job, type Lever } from "./api";
import { follow } from "./jobs";
import { useKeys } from "./keys";
import { MakeLesson } from "./makelesson";
import { say, undoLast, useMoving } from "./notices";
import { look, usePlace, wayBack } from "./place";
import { Plot } from "./plot";
import { colour } from "./theme";
import { Sweep } from "./sweep";
import { capital } from "./words";

const QUIET_MS = 500;
interface Kept extends Alternative {
  change: Change | null; // none until it is told
}

export function WhatIfRoom({ name }: { name: string }) {
  const place = usePlace();
  const [fit, setFit] = useState<Fit | null>(null);
  const [settings, setSettings] = useState<Settings>(() => readSettings(place.words.set));
  const [change, setChange] = useState<Change | null>(null);
  const [doubt, setDoubt] = useState(false);
  const [problem, setProblem] = useState("");
  const [writing, setWriting] = useState("");
  const way = useRef<AbortController | null>(null);
  const stretch = place.words.from && place.words.to ? { from_s: Number(place.words.from), to_s: Number(place.words.to) } : {};
  const base = `${caseUrl(name)}/whatif`;
  const shelf = `tidebench-alternatives-${name}-${place.words.from ?? ""}-${place.words.to ?? ""}`;
  const [kept, setKept] = useState<Kept[]>(() => readAlternatives(place.words.kept || sessionStorage.getItem(shelf) || "").map((one) => ({ ...one, change: null })));
  const granted = (change && doubt ? change.assumptions : fit?.assumptions) ?? [];
  const moved = Object.keys(settings).length > 0;

  useEffect(() => {
    const query = "from_s" in stretch ? `?from_s=${stretch.from_s}&to_s=${stretch.to_s}` : "";
    setFit(null);
    setProblem("");
    get<Fit>(`${base}${query}`).then(setFit, (error: Error) => setProblem(error.message));
    return () => way.current?.abort();
  }, [name, place.words.from, place.words.to]);

  useLayoutEffect(() => { // asked before the next frame: the slider waits for it
    way.current?.abort();
    if (!fit) return;
    const asked = new AbortController();
    way.current = asked;
    look({ set: writeSettings(settings) });
    setDoubt(false);
    if (!moved) return setChange(null);
    void rehearse(asked.signal);
  }, [fit, settings]);

  useEffect(() => {
    const words = writeAlternatives(kept);
    look({ kept: words });
    sessionStorage.setItem(shelf, words);
    const untold = kept.find((one) => !one.change);
    if (!fit || !untold) return;
    const asked = new AbortController();
    const tell = (change: Change) => setKept((now) => now.map((one) => (one === untold ? { ...one, change } : one)));
    const refuse = (error: Error) => {
      if (stopped(error) || asked.signal.aborted) return;
      setKept((now) => now.filter((one) => one !== untold));
      say(`${untold.name} can't be told of this stretch: ${error.message}`);
    };
    send<Change>("POST", `${base}/sketch`, { ...stretch, settings: untold.settings }, asked.signal).then(tell, refuse);
    return () => asked.abort();
  }, [fit, kept]);

  const rehearse = async (signal: AbortSignal) => {
    const body = { ...stretch, settings };
    try {
      const sketch = await send<Change>("POST", `${base}/sketch`, body, signal);
      if (signal.aborted) return;
      setChange(sketch);
      setProblem("");
      await new Promise((wait) => setTimeout(wait, QUIET_MS));
      if (signal.aborted) return;
      const job = await follow(await send<Job>("POST", `${base}/rehearse`, body), signal);
      const told = await get<Change>(`${base}/rehearsed/${job.name}`);
      if (signal.aborted) return;
      setChange(told);
      setDoubt(true);
    } catch (error) {
      if (!stopped(error) && !signal.aborted) setProblem((error as Error).message);
    }
  };
  const move = useMoving();
  const put = (key: string, value: number) => {
    move(() => setSettings(settings));
    setSettings((now) => {
      const next = { ...now, [key]: value };
      if (fit?.levers.find((lever) => lever.key === key)?.value === value) delete next[key];
      return next;
    });
  };
  const letGo = (place: number) => {
    setKept(kept.filter((_, other) => other !== place));
    say(`${kept[place]!.name} was let go.`, () => setKept(kept));
  };
  const reset = () => {
    const before = settings;
    setSettings({});
    if (moved) say("The settings are as they were recorded.", () => setSettings(before));
  };
  const keep = () => {
    const letter = freeLetter(kept);
    if (!change || !moved) return;
    if (!letter) return say("No more alternatives can be kept: let one go first.");
    setKept([...kept, { name: letter, settings, change }]);
  };
  const report = async (settings: Settings, alternative = "") => {
    const asked = new AbortController();
    setWriting("beginning");
    try {
      const job = await follow(await send<Job>("POST", `${base}/report`, { ...stretch, settings }), asked.signal, (now) => setWriting(now.stage || "waiting"));
      await fetchFile(`${base}/report/${job.name}.pdf`, undefined, `${name}-report-with-${alternative || "a-change"}.pdf`);
    } catch (error) {
      setProblem((error as Error).message);
    } finally {
      setWriting("");
    }
  };
  const take = (next: Settings) => {
    const before = settings;
    setSettings((now) => ({ ...now, ...next }));
    say("The settings were taken up.", () => setSettings(before));
  };
  useKeys(
    [
      { keys: ["z"], group: "What-if", words: "Take the last change back", act: undoLast },
      { keys: ["r"], group: "What-if", words: "Settings as they were recorded", act: reset },
      { keys: ["k"], group: "What-if", words: "Keep this alternative beside the others", act: keep },
      { keys: ["b"], group: "What-if", words: "Back to the review", act: () => (window.location.hash = wayBack("case", name)) },
    ],
    [settings, change, fit],
  );

  return (
    <>
      <div class="row">
        <h1 class="grow">What if? <span class="quiet">{fit ? fit.title || name : problem ? name : ""}</span></h1>
        <a class="button" href={wayBack("case", name)}>Back to the review <kbd>b</kbd></a>
      </div>
      {problem && <p class="problem" role="alert">{problem}</p>}
      {!fit && !problem && <p class="quiet" role="status">Fitting a patient to the stretch …</p>}
      {fit && (
        <>
          <p>{fit.lead}</p>
          <p class="quiet">{fit.settings}</p>
          <div class="bench">
            <div class="grow">
              <section class="sheet strip" aria-labelledby="waves">
                <div class="strip-head"><h2 id="waves" class="grow">The mean breath, now and then</h2></div>
                <Waves fit={fit} change={change} />
                <p class="legend">
                  <span><Key ink="edge" wide={3} />recorded</span><span><Key ink="ink" dash="5 3" />the fitted patient now</span>
                  {change && <span><Key ink="blue" wide={3} />then, by the estimate</span>}
                  {change?.then_band && <span><i class="swatch" style={{ background: tinted("var(--blue)") }} />where nine tenths of drawn patients lie, then</span>}
                  {change?.now_band && <span><i class="swatch" style={{ background: tinted("var(--ink)") }} />and now</span>}
                </p>
              </section>
              <section class="sheet strip" aria-labelledby="table">
                <div class="strip-head">
                  <h2 id="table" class="grow">{moved ? "What would change" : "Move a setting to see what would change"}</h2>
                  {moved && !doubt && !problem && <span class="small quiet" role="status">the estimate; its doubt follows …</span>}
                  {moved && <button onClick={keep} disabled={!change}>Keep this alternative <kbd>k</kbd></button>}
                  {moved && doubt && <button onClick={() => void report(settings)} disabled={Boolean(writing)}>Report with this change</button>}
                  {writing && <span class="small quiet" role="status">{capital(writing)} …</span>}
                </div>
                <Table change={change} kept={kept} doubt={doubt} />
                {kept.length > 0 && (
                  <ul class="small">{kept.map((one, i) => <li key={one.name}><strong>{one.name}</strong>: {one.change?.settings ?? "…"} <button class="plain" onClick={() => setSettings(one.settings)}>take up again</button><button class="plain" disabled={Boolean(writing)} onClick={() => void report(one.settings, one.name)}>report with {one.name}</button><button class="plain" onClick={() => letGo(i)}>let go</button></li>)}</ul>
                )}
                {change && doubt && <Beyond change={change} />}
                {moved && <details><summary>Make a lesson of this change</summary><MakeLesson name={name} change={{ ...stretch, settings }} /></details>}
              </section>
              <Sweep name={name} levers={fit.levers} stretch={stretch} settings={settings} take={take} />
            </div>
            <aside class="sheet side" aria-label="Settings and fit">
              <div class="panel stack">
                <div class="row"><h2 class="grow">Settings</h2><button onClick={reset} disabled={!moved}>As recorded <kbd>r</kbd></button></div>
                {fit.levers.map((lever) => <Control key={lever.key} lever={lever} value={settings[lever.key] ?? lever.value} put={put} />)}
                {change && <p class="small">{change.settings}</p>}
                <details>
                  <summary>The fitted patient, and the doubt of each part</summary>
                  <table class="small">
                    <thead><tr><th scope="col">part</th><th scope="col" class="num">value</th><th scope="col" class="num">5th to 95th</th></tr></thead>
                    <tbody>{fit.rows.map((row) => <tr key={row.label} title={row.why}><th scope="row">{row.label}</th><td class="num">{row.value}</td><td class="num">{row.span}</td></tr>)}</tbody>
                  </table>
                </details>
                {granted.length > 0 && (
                  <details open>
                    <summary>What is taken for granted</summary>
                    <ul class="small">{granted.map((line) => <li key={line}>{capital(line)}</li>)}</ul>
                  </details>
                )}
              </div>
            </aside>
          </div>
        </>
      )}
    </>
  );
}

function Key({ ink, dash = "", wide = 2 }: { ink: string; dash?: string; wide?: number }) {
  return <svg width="26" height="8" aria-hidden="true"><line x1="0" x2="26" y1="4" y2="4" stroke={`var(--${ink})`} stroke-width={wide} stroke-dasharray={dash} /></svg>;
}

function Control({ lever, value, put }: { lever: Lever; value: number; put: (key: string, value: number) => void }) {
  const id = `lever-${lever.key}`;
  return (
    <div>
      <label for={id} class="small">{capital(lever.label)}{value !== lever.value && <strong> (was {lever.value} {lever.unit})</strong>}</label>
      <div class="row">
        <input id={id} class="grow" type="range" min={lever.low} max={lever.high} step={lever.step} value={value} onInput={(event) => put(lever.key, event.currentTarget.valueAsNumber)} />
        <input type="number" aria-label={`${lever.label}, typed`} step={lever.step} value={value} style={{ width: "5.5rem" }} onChange={(event) => Number.isFinite(event.currentTarget.valueAsNumber) && put(lever.key, event.currentTarget.valueAsNumber)} />
        <span class="small quiet" style={{ minWidth: "3.5rem" }}>{lever.unit}</span>
      </div>
    </div>
  );
}

const tinted = (ink: string) => `color-mix(in srgb, ${ink} 20%, transparent)`;
const CHANNELS = [["airway_pressure", "Airway pressure", "cmH2O", 190], ["flow", "Flow", "L/min", 130], ["volume", "Volume", "mL", 150]] as const;

function Waves({ fit, change }: { fit: Fit; change: Change | null }) {
  const end = Math.max(...[fit.recorded, fit.now, change?.waves].map((curves) => curves?.time_s.at(-1) ?? 0));
  return (
    <>
      {CHANNELS.map(([key, label, unit, height], i) => (
        <Channel key={key} channel={key} label={label} unit={unit} height={height} curves={[fit.recorded, fit.now, ...(change ? [change.waves] : [])]} bands={[null, change?.now_band, change?.then_band]} end={end} last={i === CHANNELS.length - 1} />
      ))}
    </>
  );
}

function Channel({ channel, label, unit, height, curves, bands: told, end, last }: { channel: "airway_pressure" | "flow" | "volume"; label: string; unit: string; height: number; curves: Curves[]; bands: (Band | null | undefined)[]; end: number; last: boolean }) {
  const { data, series, bands } = useMemo(() => drawnBreaths(channel, curves, told), [channel, ...curves, ...told]);
  return (
    <div class="lane">
      <div class="name"><b>{label}</b><div class="quiet">{unit}</div></div>
      <Plot label={`${label} of the mean breath: recorded, fitted now, and then`} data={data} series={series} bands={bands} from={0} to={end} height={height} timeAxis={last} seconds sync="whatif" />
    </div>
  );
}

/** Mean breaths on one axis of time, each with the two edges of its band where it has one. */
export function drawnBreaths(channel: "airway_pressure" | "flow" | "volume", curves: Curves[], told: (Band | null | undefined)[]) {
  const longest = curves.reduce((a, b) => (b.time_s.length > a.time_s.length ? b : a)).time_s;
  const along = (one: Curves) => longest.map((_, i) => one[channel][i] ?? null);
  const names = ["recorded", "now", "then"];
  const edges = curves.flatMap((_, i) => (told[i] ? [{ of: i, band: told[i] }] : []));
  const edge = (words: string): uPlot.Series => ({ label: words, stroke: "transparent", width: 0, points: { show: false } });
  const series: uPlot.Series[] = [
    ...curves.map((_, i) => ({ label: names[i]!, stroke: () => colour(["edge", "ink", "blue"][i]!), width: [3, 1.3, 2.4][i]!, dash: i === 1 ? [6, 4] : [], points: { show: false } })),
    ...edges.flatMap(({ of }) => [edge(`${names[of]}, 5th`), edge(`${names[of]}, 95th`)]),
  ];
  const first = curves.length + 1;
  const bands = edges.map(({ of }, i): uPlot.Band => ({ series: [first + 2 * i + 1, first + 2 * i], fill: () => tinted(colour(["edge", "ink", "blue"][of]!)) }));
  const data = [longest, ...curves.map(along), ...edges.flatMap(({ band }) => [along(band.low), along(band.high)])] as uPlot.AlignedData;
  return { data, series, bands };
}

function Table({ change, kept, doubt }: { change: Change | null; kept: Kept[]; doubt: boolean }) {
  const rows = (change ?? kept.find((one) => one.change)?.change)?.rows;
  if (!rows) return null;
  return (
    <div class="scroll">
      <table>
        <caption class="hidden">Quantities now and then</caption>
        <thead>
          <tr><th scope="col">quantity</th><th scope="col" class="num">now</th>{change && <><th scope="col" class="num">then</th><th scope="col" class="num">90 %</th><th scope="col" class="num">change</th><th scope="col" class="num">90 %</th></>}{kept.map((one) => <th key={one.name} scope="col" class="num">{one.name}</th>)}</tr>
        </thead>
        <tbody>
          {rows.map((row) => (
            <tr key={row.key}>
              <th scope="row">{capital(row.label)}</th><td class="num">{row.now}</td>
              {change && <><td class="num"><strong>{row.then}</strong></td><td class="num">{doubt ? row.span : "…"}</td><td class="num">{row.clear ? <strong>{row.change}</strong> : row.change}</td><td class="num">{row.change_span}</td></>}
              {kept.map((one) => <td key={one.name} class="num">{one.change ? one.change.rows.find((other) => other.key === row.key)?.then ?? "–" : "…"}</td>)}
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

function Beyond({ change }: { change: Change }) {
  return (
    <div class="stack" style={{ marginTop: "0.8rem" }}>
      {change.limits.length > 0 && (
        <table class="small">
          <caption style={{ textAlign: "left" }}><h3>Limits</h3></caption>
          <thead><tr><th scope="col">limit</th><th scope="col">now</th><th scope="col">then</th><th scope="col">within the doubt</th></tr></thead>
          <tbody>{change.limits.map((limit) => <tr key={limit.text} title={limit.source}><th scope="row">{capital(limit.text)}</th><td>{limit.now}</td><td>{limit.crossed ? <strong>{limit.then}</strong> : limit.then}</td><td>{limit.share}</td></tr>)}</tbody>
        </table>
      )}
      {change.beyond.length > 0 && <div class="problem"><strong>Beyond what was recorded</strong><ul>{change.beyond.map((line) => <li key={line}>{line}</li>)}</ul></div>}
      <p class="small quiet">A rehearsal on a model, not advice. Each interval holds nine tenths of the patients that the stretch allows.</p>
    </div>
  );
}
