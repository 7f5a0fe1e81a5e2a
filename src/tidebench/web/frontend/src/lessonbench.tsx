// A step at the running patient: a hold to be read from the curves, or a patient to be brought inside limits in time.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import type uPlot from "uplot";

import { Figure, type Live } from "./benchfigure";
import { Breaths, Found } from "./benchseen";
import { fill } from "./draw";
import { useKeys } from "./keys";
import type { By, LessonMark, Sat, SittingAsked, SittingTold, Step } from "./lessonapi";
import { Lane } from "./lessonfigure";
import { keeper, runName } from "./lessonkept";
import { say } from "./notices";
import type { Quantity } from "./api";
import { quantities } from "./quantities";
import { Sentences } from "./sentences";
import { inside, type Stretch } from "./stretch";
import { Playhead, Track } from "./track";
import { colour } from "./theme";
import { capital, clock } from "./words";
import { Wire, type Band, type BenchMeasured, type Frame } from "./wire";

const PACES = [0.5, 1, 2, 5, 10];
const KEYS: Record<string, string> = { "inspiratory hold": "i", "expiratory hold": "e", disconnection: "d", suction: "u" };
const SHOWN_MS = 66;
const RETRY_MS = 4000;

interface Props {
  step: Step;
  by: By;
  marked: (mark: LessonMark) => void;
  held?: (done: { at_s: number; kind: string }[]) => void;
}

export function LessonBench({ step, by, marked, held }: Props) {
  const [sat, setSat] = useState<Sat | null>(null);
  const [measured, setMeasured] = useState<BenchMeasured | null>(null);
  const [lost, setLost] = useState("");
  const [broken, setBroken] = useState(false);
  const [problem, setProblem] = useState("");
  const [pace, setPace] = useState(1);
  const [attempt, again] = useState(0);
  const wire = useRef<Wire<SittingAsked, SittingTold> | null>(null);
  const live = useRef<Live>({ track: new Track(), head: new Playhead(), playing: false, speed: 1, dirty: true, changedAt: 0 });
  const latest = useRef<Sat | null>(null);
  const run = runName(by.token, step.key);

  const keep = () => {
    const now = latest.current;
    if (now && !now.over) keeper.keep("runs", run, { actions: now.actions, until_s: Math.max(now.time_s, live.current.track.newest - now.begins_s) });
  };
  const tell = (told: SittingTold): void => {
    if (told.tell === "sat") {
      latest.current = told as Sat;
      Object.assign(live.current, { playing: told.playing, speed: told.speed, dirty: true, zero: told.begins_s });
      setSat(told as Sat);
      keep();
      held?.((told as Sat).actions.filter((one) => one.manoeuvre).map((one) => ({ at_s: Number(((one.at_s ?? 0) + told.begins_s).toFixed(3)), kind: one.manoeuvre! })));
    } else if (told.tell === "marked") {
      keeper.keep("runs", run, null);
      marked(told.mark);
    } else if (told.tell === "measured") setMeasured(told as BenchMeasured);
    else if (told.tell === "refused") setProblem(told.problem);
    else {
      live.current.changedAt = told.at_s;
      setProblem("");
      say(`${capital(told.text)}.`);
    }
  };

  useEffect(() => {
    const made = new Wire<SittingAsked, SittingTold>(
      {
        open: () => {
          setLost("");
          const { actions, until_s } = keeper.read("runs", run) ?? { actions: [], until_s: 0 };
          made.say({ do: "sit", learner: by.token, step: step.key, actions, until_s });
        },
        frame: (frame: Frame) => {
          live.current.track.add(frame);
          live.current.dirty = true;
        },
        told: tell,
        lost: (why: string, turned: boolean) => {
          live.current.playing = false;
          keep();
          setLost(why);
          setBroken(!turned);
        },
      },
      "/api/class/live",
    );
    wire.current = made;
    return () => {
      keep();
      made.leave();
    };
  }, [attempt]);

  useEffect(() => {
    if (!lost || !broken) return;
    const timer = window.setTimeout(() => again((n) => n + 1), RETRY_MS);
    return () => window.clearTimeout(timer);
  }, [lost, broken, attempt]);

  useEffect(() => {
    const hidden = () => {
      if (!document.hidden || !live.current.playing) return;
      wire.current?.say({ do: "pause" });
      say("Time stops while the page is hidden.");
    };
    document.addEventListener("visibilitychange", hidden);
    return () => document.removeEventListener("visibilitychange", hidden);
  }, []);

  const ask = (asked: SittingAsked) => (lost ? say(`${lost} Nothing was done.`) : wire.current?.say(asked));
  const playing = sat?.playing ?? false;
  const over = sat?.over ?? false;
  const toggle = () => (playing ? ask({ do: "pause" }) : ask({ do: "play", speed: pace }));
  const choosePace = (speed: number) => {
    setPace(speed);
    if (playing) ask({ do: "play", speed });
  };
  const faster = (by: number) => choosePace(PACES[Math.min(PACES.length - 1, Math.max(0, PACES.indexOf(pace) + by))]!);
  const anew = () => {
    keeper.keep("runs", run, null);
    held?.([]);
    live.current = { ...live.current, track: new Track(), head: new Playhead() };
    latest.current = null;
    setMeasured(null);
    again((n) => n + 1);
  };
  const key = (keys: string, words: string, act: () => void) => ({ keys: [keys], group: "At the patient", words, act });
  useKeys(
    [
      key("p", "Let time pass, or stop it", toggle),
      key("+", "Faster", () => faster(1)),
      key("-", "Slower", () => faster(-1)),
      ...(sat?.manoeuvres ?? []).filter((kind) => KEYS[kind]).map((kind) => key(KEYS[kind]!, capital(kind), () => ask({ do: "hold", kind }))),
      key("s", "To the settings", () => document.querySelector<HTMLElement>(".said-settings input")?.focus()),
    ],
    [sat?.manoeuvres.join(), playing, pace, step],
  );
  const acts = step.kind === "act";
  return (
    <>
      {lost && <p class="problem row" role="alert"><span class="grow">{lost} What was done is kept{broken && ", and the line is tried again"}.</span><button onClick={() => again((n) => n + 1)}>Go on</button></p>}
      {problem && <p class="problem row" role="alert"><span class="grow">{problem}</span><button class="plain" onClick={() => setProblem("")}>Close</button></p>}
      <div class="row sitting-time">
        <button class="main" disabled={!sat || over || Boolean(lost)} onClick={toggle}>{playing ? "Stop time" : sat && sat.time_s > 0 ? "Let time go on" : "Let time pass"} <kbd>p</kbd></button>
        <label class="row small">Pace <select value={String(pace)} onChange={(event) => choosePace(Number(event.currentTarget.value))}>{PACES.map((one) => <option key={one} value={String(one)}>{one === 1 ? "real time" : `${one} × real time`}</option>)}</select></label>
        {sat && <Passed sat={sat} live={live.current} />}
        {acts && sat && !over && sat.time_s > 0 && <button onClick={() => ask({ do: "end" })}>Nothing more: let the rest pass at once</button>}
        {!acts && sat && (over || sat.deeds.length > 0) && <button onClick={anew}>This stretch again</button>}
      </div>
      {sat && acts && <Treating sat={sat} live={live.current} measured={measured} ask={ask} />}
      {sat && !acts && <Reading sat={sat} live={live.current} ask={ask} />}
    </>
  );
}

/** How much of the time has passed, told by the moment that is drawn. */
function Passed({ sat, live }: { sat: Sat; live: Live }) {
  const words = useRef<HTMLSpanElement>(null);
  const bar = useRef<HTMLProgressElement>(null);
  useEffect(() => {
    const beat = () => {
      const at = Math.min(sat.lasts_s, Math.max(sat.time_s, live.track.newest - sat.begins_s));
      words.current!.textContent = `${clock(at)} of ${clock(sat.lasts_s)}`;
      bar.current!.value = at;
    };
    beat();
    const timer = window.setInterval(beat, 200);
    return () => window.clearInterval(timer);
  }, [sat]);
  return (
    <span class="row grow passed">
      <progress ref={bar} max={sat.lasts_s} value={sat.time_s} aria-label="Time of this step" />
      <span class="moment" ref={words} />
      {sat.over && <span>The time is over.</span>}
    </span>
  );
}

type Ask = (asked: SittingAsked) => void;

/** An act step: limits, the patient, what can be set and done, what was done. */
function Treating({ sat, live, measured, ask }: { sat: Sat; live: Live; measured: BenchMeasured | null; ask: Ask }) {
  const [known, setKnown] = useState<{ [key: string]: Quantity }>({});
  useEffect(() => void quantities().then(setKnown, () => undefined), []);
  return (
    <div class="bench treating">
      <div class="grow">
        <Limits sat={sat} />
        <Figure live={live} />
        <section class="sheet strip said-settings" aria-labelledby="settings">
          <h3 id="settings">How the patient is ventilated</h3>
          <Sentences sentences={sat.sentences} set={(settings) => ask({ do: "set", settings })} />
          <p class="small quiet">What stands as plain words is not changed in this step.</p>
        </section>
        <section class="sheet strip stack" aria-labelledby="doing">
          <h3 id="doing">What is done</h3>
          <Holds sat={sat} ask={ask} />
          {sat.treatments.length > 0 && <div class="row" role="group" aria-label="Treatments">{sat.treatments.map((one) => <button key={one.key} disabled={sat.over || sat.busy_s > 0} onClick={() => ask({ do: "treat", key: one.key })}>{one.text} <span class="small quiet">{one.takes_s} s</span></button>)}</div>}
          {sat.busy_s > 0 && <p class="small" role="status">Hands are busy. Let time pass.</p>}
          <Deeds sat={sat} />
        </section>
      </div>
      <aside class="sheet side" aria-label="What is measured"><div class="panel stack"><p class="small quiet">Times here are on the patient's own clock: this step began at {clock(sat.begins_s)}.</p><Breaths measured={measured} known={known} /><Found measured={measured} /></div></aside>
    </div>
  );
}

function Limits({ sat }: { sat: Sat }) {
  return (
    <section class="sheet strip" aria-labelledby="limits">
      <h3 id="limits">To be reached by {clock(sat.lasts_s)} <span class="small quiet">counted every 5 s from the {sat.keep_s} s before; so far inside all of them for {clock(sat.inside_s)}</span></h3>
      <ul class="limits-kept">
        {sat.limits.map((one) => (
          <li key={one.words} class={one.inside === null ? "open" : one.inside ? "inside" : "outside"}>
            <span class="limit-sign" aria-hidden="true">{one.inside === null ? "·" : one.inside ? "✓" : "✕"}</span>
            <span class="grow">{capital(one.words)}</span>
            <span class="num"><b>{one.value || "not told yet"}</b>{one.inside !== null && <span class="small quiet"> {one.inside ? "inside" : "outside"}, {clock(one.inside_s)} inside so far</span>}</span>
          </li>
        ))}
      </ul>
    </section>
  );
}

const Holds = ({ sat, ask }: { sat: Sat; ask: Ask }) => (
  <div class="row" role="group" aria-label="Manoeuvres">{sat.manoeuvres.map((kind) => <button key={kind} disabled={sat.over || sat.busy_s > 0} onClick={() => ask({ do: "hold", kind })}>{capital(kind)} {KEYS[kind] && <kbd>{KEYS[kind]}</kbd>}</button>)}</div>
);

const Deeds = ({ sat }: { sat: Sat }) => (
  sat.deeds.length === 0 ? <p class="small quiet">Nothing was done yet.</p> : <ol class="story" reversed>{[...sat.deeds].reverse().map((one, i) => <li key={`${one.at_s} ${i}`}><span class="when">{clock(one.at_s)}</span><span class="grow">{capital(one.text)}</span></li>)}</ol>
);

/** A measure step: what sensors show, as it comes. */
function Reading({ sat, live, ask }: { sat: Sat; live: Live; ask: Ask }) {
  const [, beat] = useState(0);
  const [seen, setSeen] = useState<Stretch | null>(null);
  const [cursor, setCursor] = useState<number | null>(null);
  const newest = useRef(-1);
  useEffect(() => {
    const timer = window.setInterval(() => {
      if (newest.current === live.track.last) return;
      newest.current = live.track.last;
      beat((n) => n + 1);
    }, SHOWN_MS);
    return () => window.clearInterval(timer);
  }, [live]);
  const { track } = live;
  const [first, last] = [track.first / track.rate, sat.begins_s + sat.lasts_s];
  const drawn = useMemo(() => signals(track, sat.seen), [track.last, track.first, track]);
  const shown = seen ?? { from: Math.min(first, sat.begins_s), to: last };
  const see = (wanted: Stretch) => {
    const kept = inside({ from: wanted.from - first, to: wanted.to - first }, last - first);
    setSeen({ from: kept.from + first, to: kept.to + first });
  };
  const under = useMemo(() => (plot: uPlot) => before(plot, sat), [sat]);
  const none = useMemo(() => () => undefined, []);
  return (
    <section class="sheet strip stack" aria-labelledby="reading">
      <div class="strip-head">
        <h3 id="reading" class="grow">The patient, as it is recorded</h3>
        <button class="plain small" disabled={!seen} onClick={() => setSeen(null)}>Whole</button>
      </div>
      <Holds sat={sat} ask={ask} />
      <div class="waves">
        {drawn.channels.map((channel, i) => (
          <Lane key={channel.key} channel={channel} time={drawn.time} seen={shown} first={i === 0} last={i === drawn.channels.length - 1} small={false} cursor={cursor} under={under} over={none}
            sync="reading" follow={setCursor} see={see} pick={undefined} title="the running patient" />
        ))}
      </div>
      <p class="small quiet">Move over the curves: the value under the cursor stands at their left. Drag across them to look closer. Hatched is what came before the step.</p>
      <Deeds sat={sat} />
    </section>
  );
}

/** Signals in the units they are shown in. */
function signals(track: Track, seen: Sat["seen"]) {
  const [from, to] = [track.first, track.last - 1];
  return {
    time: Array.from({ length: Math.max(0, to - from + 1) }, (_, i) => (from + i) / track.rate),
    channels: seen.map(({ band, key, heading, times }) => ({ key, heading, hidden: false, values: track.part(band as Band, from, to).map((value) => times * value) })),
  };
}

function before(plot: uPlot, sat: Sat): void {
  const { ctx, bbox } = plot;
  const x = Math.min(plot.valToPos(sat.begins_s, "x", true), bbox.left + bbox.width);
  ctx.save();
  ctx.globalAlpha = 0.35;
  ctx.fillStyle = fill(ctx, "grey", "rising");
  if (x > bbox.left) ctx.fillRect(bbox.left, bbox.top, x - bbox.left, bbox.height);
  ctx.globalAlpha = 1;
  ctx.strokeStyle = colour("edge");
  ctx.restore();
}
