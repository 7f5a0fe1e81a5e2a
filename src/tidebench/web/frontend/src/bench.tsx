// The live bench: a virtual patient that breathes while one watches, changes, goes back and tries again.
import { useEffect, useRef, useState } from "preact/hooks";

import { get, type Quantity } from "./api";
import { Figure, type Live } from "./benchfigure";
import { Breaths, Found, Truth } from "./benchseen";
import { useKeys } from "./keys";
import { forget, say } from "./notices";
import { go, look, usePlace } from "./place";
import { Sentences } from "./sentences";
import { fromWords, toWords } from "./story";
import { Playhead, Track } from "./track";
import { capital, clock } from "./words";
import { Wire, type BenchAsked, type BenchLine, type BenchMeasured, type BenchNow, type BenchOffer, type BenchTold, type BenchTruth } from "./wire";

type Settings = Extract<BenchAsked, { do: "set" }>["settings"];

const SPEEDS = [0.25, 0.5, 1, 2, 5, 10];
const BACK_S = 10;
const LOOK_MS = 400;

export function BenchRoom() {
  const place = usePlace();
  const [offer, setOffer] = useState<BenchOffer | null>(null);
  useEffect(() => void get<BenchOffer>("/bench").then(setOffer, (error: Error) => say(error.message)), []);
  const { who = "", seed = "" } = place.words;
  if (!offer) return <h1>Live bench</h1>;
  if (who && offer.patients.some((patient) => patient.name === who)) return <Sitting key={`${who} ${seed}`} offer={offer} />;
  return <>{who && <p class="problem narrow" role="alert">There is no patient “{who}” here. Choose one of these.</p>}<Choose offer={offer} /></>;
}

function Choose({ offer }: { offer: BenchOffer }) {
  return (
    <div class="narrow stack">
      <h1>Live bench</h1>
      <p>A virtual patient breathes here in real time. Change a setting, hold a breath, let something happen, and watch where the pressure goes; go back to any moment and try again. What was done can be saved as a case and reviewed like a recorded one.</p>
      <h2>Who breathes?</h2>
      <ul class="cases patients">
        {offer.patients.map((patient) => (
          <li key={patient.name}><a class="case" href={`#/bench?who=${encodeURIComponent(patient.name)}`}><span class="title">{patient.title}</span></a></li>
        ))}
      </ul>
      <p class="small quiet">All are invented; no person stands behind any of them.</p>
    </div>
  );
}

function Sitting({ offer }: { offer: BenchOffer }) {
  const place = usePlace();
  const [begun] = useState(() => fromWords(place.words));
  const [now, setNow] = useState<BenchNow | null>(null);
  const [measured, setMeasured] = useState<BenchMeasured | null>(null);
  const [truth, setTruth] = useState<BenchTruth | null>(null);
  const [known, setKnown] = useState<{ [key: string]: Quantity }>({});
  const [lost, setLost] = useState("");
  const [problem, setProblem] = useState("");
  const [saved, setSaved] = useState<{ name: string; title: string } | null>(null);
  const [pace, setPace] = useState(1);
  const [lasts, setLasts] = useState(0);
  const lasting = useRef(0); // keys are bound after drawing, and may come before that
  const [attempt, again] = useState(0);
  const [, refresh] = useState(0);
  const wire = useRef<Wire | null>(null);
  const live = useRef<Live>({ track: new Track(), head: new Playhead(), playing: false, speed: 1, dirty: true, changedAt: 0 });
  const latest = useRef<BenchNow | null>(null);
  const undone = useRef<Settings[]>([]);
  const takingBack = useRef(false);

  const takeBack = () => {
    const before = undone.current.pop();
    if (!before) return;
    takingBack.current = true;
    wire.current?.say({ do: "set", settings: before });
  };
  const tell = (told: BenchTold): void => {
    if (told.tell === "now") {
      latest.current = told;
      Object.assign(live.current, { playing: told.playing, speed: told.speed, dirty: true });
      setNow(told);
      look(toWords(told.said, told.time_s));
    } else if (told.tell === "measured") {
      if (told.generation === latest.current?.generation) setMeasured(told);
    } else if (told.tell === "truth") setTruth(told);
    else if (told.tell === "refused") setProblem(told.problem);
    else if (told.tell === "saved") setSaved(told);
    else {
      live.current.changedAt = told.at_s;
      setProblem("");
      const { before } = told;
      if (before && !takingBack.current) undone.current.push(before);
      takingBack.current = false;
      say(`${capital(told.text)} at ${clock(told.at_s)}.`, before ? takeBack : undefined);
    }
  };

  useEffect(() => {
    const heard = {
      open: () => {
        setLost("");
        const { said, until } = latest.current ? { said: latest.current.said, until: live.current.track.newest } : begun;
        made.say({ do: "begin", said, until_s: until });
      },
      frame: (frame: Parameters<Track["add"]>[0]) => {
        if (frame.generation !== live.current.track.generation) {
          setMeasured(null);
          undone.current = [];
          forget();
        }
        live.current.track.add(frame);
        live.current.dirty = true;
      },
      told: tell,
      lost: (why: string) => {
        live.current.playing = false;
        setLost(why);
      },
    };
    const made = new Wire(heard);
    wire.current = made;
    return () => made.leave();
  }, [attempt]);

  useEffect(() => {
    void get<Quantity[]>("/quantities").then((list) => setKnown(Object.fromEntries(list.map((one) => [one.key, one]))), () => undefined);
    const beat = window.setInterval(() => live.current.playing && refresh((n) => n + 1), LOOK_MS);
    const hidden = () => {
      if (!document.hidden || !live.current.playing) return;
      wire.current?.say({ do: "pause" });
      say("Time stops while the page is hidden.");
    };
    document.addEventListener("visibilitychange", hidden);
    return () => {
      window.clearInterval(beat);
      document.removeEventListener("visibilitychange", hidden);
    };
  }, []);

  const ask = (asked: BenchAsked) => wire.current?.say(asked);
  const newest = live.current.track.newest;
  const playing = now?.playing ?? false;
  const play = (speed = pace) => ask({ do: "play", speed });
  const toggle = () => (playing ? ask({ do: "pause" }) : play());
  const choosePace = (speed: number) => {
    setPace(speed);
    if (playing) play(speed);
  };
  const faster = (by: number) => choosePace(SPEEDS[Math.min(SPEEDS.length - 1, Math.max(0, SPEEDS.indexOf(pace) + by))]!);
  const back = (to: number) => ask({ do: "back", to_s: Math.max(0, to) });
  const manoeuvre = (kind: string) => () => ask({ do: "manoeuvre", kind, duration_s: kind !== BRIEF && lasting.current ? lasting.current : null });
  const key = (keys: string, words: string, act: () => void) => ({ keys: [keys], group: "Live bench", words, act });
  useKeys(
    [
      key("p", "Let time pass, or stop it", toggle),
      key("+", "Faster", () => faster(1)),
      key("-", "Slower", () => faster(-1)),
      key("b", `Go back ${BACK_S} s; what was stays beside it`, () => back(live.current.track.newest - BACK_S)),
      ...offer.manoeuvres.filter((one) => KEYS[one.kind]).map((one) => key(KEYS[one.kind]!, capital(one.kind), manoeuvre(one.kind))),
      key(".", "A tenth of a second on", () => ask({ do: "step", seconds: 0.1 })),
      key("z", "Take a changed setting back", takeBack),
      key("s", "To the settings", () => document.querySelector<HTMLElement>(".said-settings input")?.focus()),
      key("h", "To what may happen", () => document.getElementById("event")?.focus()),
      key("v", "Save as a case", () => document.getElementById("save-title")?.focus()),
      key("q", "To another patient", () => go({ room: "bench" })),
    ],
    [playing, pace, lasts, offer, now === null],
  );

  return (
    <>
      <div class="row">
        <h1 class="grow">Live bench <span class="quiet">{now?.title}</span></h1>
        <button class="main" disabled={!now || Boolean(lost)} onClick={toggle}>{playing ? "Stop time" : newest > 0 ? "Let time go on" : "Let time pass"} <kbd>p</kbd></button>
        <label class="row small">
          Pace
          <select value={String(pace)} onChange={(event) => choosePace(Number(event.currentTarget.value))}>
            {SPEEDS.map((one) => <option key={one} value={String(one)}>{one === 1 ? "real time" : `${one} × real time`}</option>)}
          </select>
        </label>
        <a class="button" href="#/bench">Another patient <kbd>q</kbd></a>
      </div>
      {lost && <p class="problem row" role="alert"><span class="grow">{lost} Nothing is lost: what was done stands in the address.</span><button onClick={() => again((n) => n + 1)}>Go on from {clock(newest)}</button></p>}
      {problem && <p class="problem row" role="alert"><span class="grow">{problem}</span><button class="plain" onClick={() => setProblem("")}>Close</button></p>}
      <div class="bench">
        <div class="grow">
          <Figure live={live.current} />
          {now && (
            <section class="sheet strip said-settings" aria-labelledby="settings">
              <h2 id="settings">How the patient is ventilated</h2>
              <Sentences sentences={now.sentences} set={(settings) => ask({ do: "set", settings })} />
            </section>
          )}
          {now && <Doing offer={offer} lasts={lasts} last={(seconds) => setLasts((lasting.current = seconds))} manoeuvre={(kind) => manoeuvre(kind)()} happen={(kind, size, over) => ask({ do: "event", kind, size, over_s: over })} />}
          {now && <Past now={now} newest={newest} back={back} follow={(line) => ask({ do: "follow", line })} />}
          {now && <Keep title={now.title} saved={saved} save={(title) => ask({ do: "save", title })} />}
        </div>
        <aside class="sheet side" aria-label="What is measured">
          <div class="panel stack">
            <Breaths measured={measured} known={known} />
            <Found measured={measured} />
            <Truth truth={truth} known={known} />
          </div>
        </aside>
      </div>
    </>
  );
}

const KEYS: Record<string, string> = { "inspiratory hold": "i", "expiratory hold": "e", occlusion: "o", disconnection: "d", suction: "u", cough: "c" };
const BRIEF = "cough";
const LASTING = [1, 2, 5, 10, 20];
const OVER: [seconds: number, words: string][] = [[0, "at once"], [30, "within half a minute"], [300, "within five minutes"]];
const SIZES: [size: number, words: string][] = [[0.5, "half as much as is typical"], [1, "as is typical"], [2, "twice as much as is typical"]];

interface DoingProps {
  offer: BenchOffer;
  lasts: number;
  last: (seconds: number) => void;
  manoeuvre: (kind: string) => void;
  happen: (kind: string, size: number | null, over: number) => void;
}

function Doing({ offer, lasts, last, manoeuvre, happen }: DoingProps) {
  const [kind, setKind] = useState(offer.events[0]!.kind);
  const [size, setSize] = useState(1);
  const [over, setOver] = useState(0);
  const event = offer.events.find((one) => one.kind === kind)!;
  return (
    <section class="sheet strip stack" aria-labelledby="doing">
      <h2 id="doing">What is done, and what happens</h2>
      <div class="row" role="group" aria-label="Manoeuvres">
        {offer.manoeuvres.map((one) => <button key={one.kind} title={`for ${(one.kind !== BRIEF && lasts) || one.lasts_s} s`} onClick={() => manoeuvre(one.kind)}>{capital(one.kind)} {KEYS[one.kind] && <kbd>{KEYS[one.kind]}</kbd>}</button>)}
        <label class="row small">Lasting <select value={String(lasts)} onChange={(event) => last(Number(event.currentTarget.value))}><option value="0">as usual</option>{LASTING.map((seconds) => <option key={seconds} value={String(seconds)}>{seconds} s</option>)}</select></label>
      </div>
      <p class="sentence">
        In the patient let{" "}
        <select id="event" aria-label="event" value={kind} onChange={(changed) => setKind(changed.currentTarget.value)}>{offer.events.map((one) => <option key={one.kind} value={one.kind}>{one.kind}</option>)}</select>{" "}
        come{" "}
        <select aria-label="how fast" value={String(over)} onChange={(changed) => setOver(Number(changed.currentTarget.value))}>{OVER.map(([seconds, words]) => <option key={seconds} value={String(seconds)}>{words}</option>)}</select>
        {event.sized && <>, <select aria-label="how much" value={String(size)} onChange={(changed) => setSize(Number(changed.currentTarget.value))}>{SIZES.map(([one, words]) => <option key={one} value={String(one)}>{words}</option>)}</select></>}.{" "}
        <button onClick={() => happen(kind, event.sized ? size : null, over)}>Let it happen</button>
      </p>
      <p class="small quiet">{event.words}</p>
    </section>
  );
}

function Past({ now, newest, back, follow }: { now: BenchNow; newest: number; back: (to: number) => void; follow: (line: number) => void }) {
  const [to, setTo] = useState<number | null>(null);
  const chosen = Math.min(to ?? newest, newest);
  const others = [...now.others].sort((a, b) => a.number - b.number);
  const go = (moment: number) => {
    setTo(null);
    back(moment);
  };
  return (
    <section class="sheet strip stack" aria-labelledby="past">
      <h2 id="past">What has been</h2>
      <div class="row">
        <input type="range" class="grow" aria-label="A moment to go back to" aria-valuetext={clock(chosen)} min={0} max={Math.max(1, newest)} step={0.5} value={chosen} onInput={(event) => setTo(event.currentTarget.valueAsNumber)} />
        <button disabled={newest <= 0} onClick={() => go(to === null ? newest - BACK_S : chosen)}>{to === null ? <>Go back {BACK_S} s <kbd>b</kbd></> : `Go back to ${clock(chosen)}`}</button>
      </div>
      {now.happened.length > 0 && (
        <ol class="story" reversed>
          {[...now.happened].reverse().map((one, i) => (
            <li key={`${one.at_s} ${i}`}><span class="when">{clock(one.at_s)}</span><span class="grow">{capital(one.text)}</span><button class="plain small" aria-label={`Go back to before this, ${clock(one.at_s)}`} onClick={() => go(one.at_s)}>go back to before this</button></li>
          ))}
        </ol>
      )}
      {others.length > 0 && (
        <>
          <h3>Other lines</h3>
          <p class="small">This is line {now.line.number}{now.line.parent > 0 && <>, begun at {clock(now.line.from_s)} of line {now.line.parent}</>}.</p>
          <ul class="story">
            {others.map((line) => <li key={line.number}><span class="grow">{lineWords(line)}</span><button class="plain small" onClick={() => follow(line.number)}>go on with line {line.number}</button></li>)}
          </ul>
        </>
      )}
    </section>
  );
}

const lineWords = (line: BenchLine): string =>
  `Line ${line.number}: ${line.parent ? `from ${clock(line.from_s)} of line ${line.parent} ` : ""}to ${clock(line.until_s)}, ${line.happened === 1 ? "one thing" : `${line.happened || "nothing"}${line.happened ? " things" : ""}`} done`;

function Keep({ title, saved, save }: { title: string; saved: { name: string; title: string } | null; save: (title: string) => void }) {
  const [text, setText] = useState("");
  const keep = async () => {
    try {
      await navigator.clipboard.writeText(window.location.href);
      say("The link is on the clipboard. It brings the same patient to the same moment again.");
    } catch {
      say("The browser keeps the clipboard to itself: copy the address instead.");
    }
  };
  return (
    <section class="sheet strip stack" aria-labelledby="keep">
      <h2 id="keep">Keep it</h2>
      <form class="row" onSubmit={(event) => (event.preventDefault(), save(text))}>
        <label for="save-title">As a case called</label>
        <input id="save-title" class="grow" maxLength={200} placeholder={title} value={text} onInput={(event) => setText(event.currentTarget.value)} />
        <button>Save as a case <kbd>v</kbd></button>
        <button type="button" onClick={() => void keep()}>Keep this view</button>
      </form>
      {saved && <p role="status">Saved with its truth: <a href={`#/case/${encodeURIComponent(saved.name)}`}>{saved.title}</a>. It can be reviewed like any other; here time may go on.</p>}
    </section>
  );
}
