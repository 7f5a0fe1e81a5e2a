// The teacher's page of a class: the link to project, the step as it is shown, who is where, and how answers are spread.
import "./lessons.css";

import { useEffect, useMemo, useRef, useState } from "preact/hooks";

import { get } from "./api";
import { RunDebrief } from "./debrief";
import { useKeys } from "./keys";
import { By, openClass, type ClassSeen, type Lesson, type LessonMark, type Step } from "./lessonapi";
import { Waves } from "./lessonfigure";
import { keeper } from "./lessonkept";
import { Head, Marked, Share } from "./lessonstep";
import { KINDS } from "./lessonwords";
import { say } from "./notices";
import { go, usePlace } from "./place";

const LOOK_MS = 1500;

export function TeachRoom({ link }: { link: string }) {
  const { words } = usePlace();
  const kept = link ? keeper.read("taught", link) : undefined;
  if (!link) return <Open lesson={words.lesson ?? ""} />;
  if (!kept) return <div class="narrow stack"><h1>Class</h1><p class="problem" role="alert">This class was not opened in this browser, which alone holds what its teacher needs.</p><p><a href="#/lessons">All lessons</a></p></div>;
  return <Teaching link={link} token={kept.teacher} />;
}

function Open({ lesson }: { lesson: string }) {
  const [lessons, setLessons] = useState<Lesson[]>([]);
  const [name, setName] = useState(lesson);
  const [site, setSite] = useState("");
  const [led, setLed] = useState(true);
  const [own, setOwn] = useState(true);
  const [problem, setProblem] = useState("");
  useEffect(() => void get<Lesson[]>("/lessons").then((all) => (setLessons(all), setName((now) => now || all[0]!.name)), (error: Error) => setProblem(error.message)), []);
  const open = async (event: Event) => {
    event.preventDefault();
    try {
      const opened = await openClass(name, site, led, own);
      keeper.keep("taught", opened.link, { teacher: opened.teacher, title: `${lessons.find((one) => one.name === name)?.title ?? name}${site && `, ${site}`}, ${new Date().toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" })}` });
      go({ room: "teach", name: opened.link });
    } catch (error) {
      setProblem((error as Error).message);
    }
  };
  return (
    <form class="narrow stack" onSubmit={(event) => void open(event)}>
      <h1>Teach a class</h1>
      <p>You open a session and project its link. Up to 60 learners follow in their own browsers, without a password; you see who is where and how answers are spread, without names.</p>
      {problem && <p class="problem" role="alert">{problem}</p>}
      <fieldset class="stack">
        <legend>The session</legend>
        <div class="fields">
          <div class="field"><label for="lesson">Lesson</label><select id="lesson" value={name} onChange={(event) => setName(event.currentTarget.value)}>{lessons.map((one) => <option key={one.name} value={one.name}>{one.title}, {one.minutes} min</option>)}</select></div>
          <div class="field"><label for="site">Ward or house <span class="quiet">(may stay empty)</span></label><input id="site" maxLength={80} value={site} onInput={(event) => setSite(event.currentTarget.value)} /></div>
        </div>
        <label class="row"><input type="checkbox" checked={led} onChange={(event) => setLed(event.currentTarget.checked)} /> I lead: everybody is at my step. You can let go at any time.</label>
        <label class="row"><input type="checkbox" checked={own} onChange={(event) => setOwn(event.currentTarget.checked)} /> Each learner has patients of their own. Otherwise all have those that are projected.</label>
        <div class="row"><button class="main" disabled={!name}>Open the session</button><a class="button" href="#/lessons">All lessons</a></div>
      </fieldset>
    </form>
  );
}

function Teaching({ link, token }: { link: string; token: string }) {
  const by = useMemo(() => new By("teacher", token), [token]);
  const [seen, setSeen] = useState<ClassSeen | null>(null);
  const [step, setStep] = useState<Step | null>(null);
  const [truth, setTruth] = useState<LessonMark | null>(null);
  const [problem, setProblem] = useState("");
  const [spread, showSpread] = useState(false);
  const [seat, setSeat] = useState<number | null>(null);
  const tell = (error: unknown) => setProblem((error as Error).message);
  const look = async () => {
    try {
      setSeen(await by.get<ClassSeen>("/lessons/class"));
      setProblem("");
    } catch (error) {
      tell(error);
    }
  };
  useEffect(() => {
    void look();
    const timer = window.setInterval(() => void look(), LOOK_MS);
    return () => window.clearInterval(timer);
  }, [by]);
  const place = seen?.place ?? -1;
  useEffect(() => {
    setTruth(null);
    showSpread(false);
    setSeat(null);
    if (place >= 0) void by.get<Step>("/lessons/class/step").then(setStep, tell);
  }, [by, place]);
  const steer = async (asked: { place?: number; led?: boolean; closed?: boolean }) => {
    try {
      await by.post("/lessons/class/steer", asked);
      await look();
    } catch (error) {
      tell(error);
    }
  };
  const to = (next: number) => seen && next >= 0 && next < seen.steps.length && void steer({ place: next });
  const reveal = async () => {
    if (truth) return setTruth(null);
    await by.get<LessonMark>("/lessons/class/truth").then(setTruth, tell);
  };
  const asks = seen?.asks[place] ?? false;
  useKeys(
    [
      { keys: ["n"], group: "Class", words: "To the next step", act: () => to(place + 1) },
      { keys: ["b"], group: "Class", words: "A step back", act: () => to(place - 1) },
      { keys: ["l"], group: "Class", words: "Lead, or let go", act: () => seen && void steer({ led: !seen.led }) },
      { keys: ["s"], group: "Class", words: "Show or hide how answers are spread", act: () => showSpread((now) => !now) },
      { keys: ["t"], group: "Class", words: "Show or hide the right answer", act: () => asks && void reveal() },
      { keys: ["k"], group: "Class", words: "The link, large", act: () => document.getElementById("project")?.click() },
    ],
    [seen, truth, asks],
  );
  if (!seen) return <><h1>Class</h1>{problem && <p class="problem" role="alert">{problem}</p>}</>;
  const all = seen.learners.length;
  return (
    <div class="teach">
      <div class="row">
        <h1 class="grow">{seen.title} <span class="state">{seen.closed ? "closed" : seen.led ? "you lead" : "let go"}</span></h1>
        <Project link={link} />
        <button aria-pressed={!seen.led} disabled={seen.closed} onClick={() => void steer({ led: !seen.led })}>{seen.led ? "Let go" : "Lead again"} <kbd>l</kbd></button>
        <button onClick={() => void steer({ closed: !seen.closed })}>{seen.closed ? "Open again" : "Close the class"}</button>
      </div>
      {problem && <p class="problem" role="alert">{problem}</p>}
      <div class="teach-body">
        <div class="grow stack">
          {step && <article key={step.key} class="step stack" aria-labelledby="step-title"><Head step={step} />{step.figure && <div class="sheet strip"><Waves figure={step.figure} runs={!asks} /></div>}<Offered step={step} /></article>}
          {asks && (
            <section class="sheet stack" aria-labelledby="answers">
              <div class="row">
                <h3 id="answers" class="grow">{seen.answered} of {all} answered{spread && seen.answered > 0 && <>, {seen.right} right</>}</h3>
                <button aria-pressed={spread} onClick={() => showSpread(!spread)}>{spread ? "Hide the answers" : "Show the answers"} <kbd>s</kbd></button>
                <button aria-pressed={truth !== null} onClick={() => void reveal()}>{truth ? "Hide the right one" : "Show the right one"} <kbd>t</kbd></button>
              </div>
              {spread && <Spread seen={seen} told={truth !== null} />}
              {step?.kind === "act" && <Runs seen={seen} step={step.key} seat={seat} look={(next) => setSeat(next === seat ? null : next)} />}
            </section>
          )}
          {seat !== null && step?.kind === "act" && <RunDebrief key={`${step.key} ${seat}`} by={by} step={step.key} seat={seat} />}
          {truth && <Marked mark={truth} kind={step?.kind ?? ""} heading={false} />}
          <div class="row way-on">
            <button disabled={place <= 0} onClick={() => to(place - 1)}>Back <kbd>b</kbd></button>
            <button class="main" disabled={place + 1 >= seen.steps.length} onClick={() => to(place + 1)}>Next <kbd>n</kbd></button>
          </div>
        </div>
        <aside class="sheet side" aria-label="Who is where"><div class="panel stack"><Where seen={seen} to={to} /></div></aside>
      </div>
    </div>
  );
}

function Offered({ step }: { step: Step }) {
  return (
    <>
      {step.narration.length > 0 && <ol class="narration">{step.narration.map((one) => <li key={one.at_s}><span class="when">{one.at_s} s</span> <span>{one.text}</span></li>)}</ol>}
      {step.answers.length > 0 && <><ul class="offered">{step.answers.map((words) => <li key={words}>{words}</li>)}</ul><p class="small quiet">Each learner has them in an order of their own.</p></>}
      {step.answers.length === 0 && step.kind !== "find" && step.asks.length > 0 && <ul>{step.asks.map((line) => <li key={line}>{line}</li>)}</ul>}
      {step.bench && <p class="small quiet">Learners do this at a running patient of their own: {KINDS[step.kind]}.</p>}
    </>
  );
}

function Spread({ seen, told }: { seen: ClassSeen; told: boolean }) {
  if (!seen.answered) return <p class="quiet">Nobody has answered yet.</p>;
  return (
    <ul class="spread">
      {seen.spread.map((one) => (
        <li key={`${one.answer} ${one.right}`} class={told ? (one.right ? "right" : "wrong") : undefined}>
          <span class="words">{told && <b aria-hidden="true">{one.right ? "✓ " : "✕ "}</b>}{one.answer || "nothing"}{told && <span class="hidden">{one.right ? ", right" : ", not right"}</span>}</span>
          <Share value={one.count} of={seen.answered} label={`${one.count} of ${seen.answered}`} />
          <b class="num">{one.count}</b>
        </li>
      ))}
    </ul>
  );
}

/** The runs that can be looked at, by seat: whose they are isn't said. */
function Runs({ seen, step, seat, look }: { seen: ClassSeen; step: string; seat: number | null; look: (seat: number) => void }) {
  const seats = seen.learners.filter((one) => one.runs.includes(step)).map((one) => one.seat);
  if (seats.length === 0) return <p class="quiet">A run can be looked at together as soon as somebody has finished it.</p>;
  return (
    <div class="row" role="group" aria-label="Look at a run together">
      <span>Look at a run together:</span>
      {seats.map((one) => <button key={one} aria-pressed={one === seat} onClick={() => look(one)}>Seat {one}</button>)}
    </div>
  );
}

function Where({ seen, to }: { seen: ClassSeen; to: (place: number) => void }) {
  const at = (place: number) => seen.learners.filter((one) => one.place === place);
  return (
    <>
      <h2>Who is where <span class="small quiet">{seen.learners.length} joined</span></h2>
      <ol class="places">
        {seen.steps.map((title, i) => (
          <li key={title}>
            <button class={i === seen.place ? "plain way chosen" : "plain way"} aria-current={i === seen.place ? "step" : undefined} onClick={() => to(i)}><span class="grow">{title}</span><span class="num" title="learners here">{at(i).length || ""}</span></button>
          </li>
        ))}
      </ol>
      {seen.learners.length > 0 && (
        <div class="scroll">
          <table class="small">
            <thead><tr><th scope="col">Learner</th><th scope="col" class="num">step</th><th scope="col" class="num">answered</th></tr></thead>
            <tbody>{seen.learners.map((one) => <tr key={one.seat}><th scope="row">{one.name}</th><td class="num">{one.place + 1}</td><td class="num">{one.answered} of {seen.asks.filter(Boolean).length}</td></tr>)}</tbody>
          </table>
        </div>
      )}
    </>
  );
}

/** The link: copied, and large enough for the last row. */
function Project({ link }: { link: string }) {
  const box = useRef<HTMLDialogElement>(null);
  const address = `${window.location.origin}/#/class/${link}`;
  const here = ["localhost", "127.0.0.1", "[::1]"].includes(window.location.hostname);
  const copy = () => void navigator.clipboard.writeText(address).then(() => say("The link is on the clipboard."), () => say("The browser keeps the clipboard to itself: copy the link by hand."));
  return (
    <>
      <button id="project" class="main" onClick={() => box.current?.showModal()}>The link <kbd>k</kbd></button>
      <dialog ref={box} class="project" aria-labelledby="project-title">
        <h2 id="project-title">Join the class</h2>
        <p class="address">{address}</p>
        {here && <p class="small">This workbench answers on this machine only. For learners on machines of their own, serve it with <code>--host</code> and a password.</p>}
        <div class="row"><button onClick={copy}>Copy the link</button><a class="button" href={`#/class/${link}`} target="_blank" rel="noopener">Open it as a learner</a><button class="main" onClick={() => box.current?.close()}>Close</button></div>
      </dialog>
    </>
  );
}
