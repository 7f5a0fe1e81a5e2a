// The Lessons room: lessons to choose from, one to be taken alone, classes to be opened.
import "./lessons.css";

import { useEffect, useMemo, useRef, useState } from "preact/hooks";

import { get } from "./api";
import { useKeys } from "./keys";
import { beginAlone, By, type Lesson } from "./lessonapi";
import { keeper } from "./lessonkept";
import { found, KINDS, readSeed } from "./lessonwords";
import { Way } from "./lessonway";
import { go, look, usePlace } from "./place";

export function LessonsRoom({ name }: { name: string }) {
  const [lessons, setLessons] = useState<Lesson[] | null>(null);
  const [problem, setProblem] = useState("");
  useEffect(() => void get<Lesson[]>("/lessons").then(setLessons, (error: Error) => setProblem(error.message)), []);
  if (problem) return <p class="problem" role="alert">{problem}</p>;
  if (!lessons) return <h1>Lessons</h1>;
  const lesson = lessons.find((one) => one.name === name);
  if (name && !lesson) return <div class="narrow stack"><h1>Lessons</h1><p class="problem" role="alert">There is no lesson called {name}.</p><p><a href="#/lessons">All lessons</a></p></div>;
  return lesson ? <One key={name} lesson={lesson} /> : <Shelf lessons={lessons} />;
}

function Shelf({ lessons }: { lessons: Lesson[] }) {
  const [search, setSearch] = useState("");
  const field = useRef<HTMLInputElement>(null);
  useKeys([{ keys: ["/"], group: "Lessons", words: "Search", act: () => field.current?.focus() }], []);
  const shown = found(lessons, search);
  const under = new Set(keeper.list("alone").map(([name]) => name));
  const [taught, setTaught] = useState(() => keeper.list("taught"));
  const forget = (link: string) => {
    keeper.keep("taught", link, null);
    setTaught(keeper.list("taught"));
  };
  return (
    <div class="narrow stack">
      <h1>Lessons</h1>
      <p>Short, at virtual patients that are drawn anew for each learner, marked from what really happened in them. Take one alone, or open a class and project its link.</p>
      <div class="row">
        <label for="search">Search <kbd>/</kbd></label>
        <input id="search" class="grow" type="search" ref={field} value={search} placeholder="trapped gas, leak, child …" onInput={(event) => setSearch(event.currentTarget.value)} />
      </div>
      {taught.length > 0 && (
        <details class="fold">
          <summary>Your classes ({taught.length})</summary>
          <ul class="found">{[...taught].reverse().map(([link, one]) => <li key={link} class="row"><a class="grow" href={`#/teach/${encodeURIComponent(link)}`}>{one.title}</a><button class="plain small" onClick={() => forget(link)}>forget it here</button></li>)}</ul>
        </details>
      )}
      {shown.length === 0 && <p class="sheet">No lesson has these words.</p>}
      <p class="hidden" role="status">{search && `${shown.length} lessons found`}</p>
      <ol class="cases lesson-shelf">
        {shown.map((one) => (
          <li key={one.name}>
            <a class="case" href={`#/lessons/${encodeURIComponent(one.name)}`}>
              <span class="title">{one.title}</span>
              <span class="state">{under.has(one.name) ? "begun here" : `${one.minutes} min`}{one.own && ", your own"}</span>
              <span class="objectives">{one.objectives.map((text) => <span key={text}>{text}</span>)}</span>
              <span class="small quiet for-whom">For {one.audience}</span>
            </a>
          </li>
        ))}
      </ol>
    </div>
  );
}

/** One lesson: before it is begun, and under way. */
function One({ lesson }: { lesson: Lesson }) {
  const { words } = usePlace();
  const under = keeper.read("alone", lesson.name);
  const going = under && words.step !== undefined && (!words.seed || words.seed === String(under.seed));
  return going ? <Taking lesson={lesson} token={under.token} seed={under.seed} /> : <Before lesson={lesson} />;
}

function Before({ lesson }: { lesson: Lesson }) {
  const { words } = usePlace();
  const under = keeper.read("alone", lesson.name);
  const [seed, setSeed] = useState(words.seed ?? "");
  const [name, setName] = useState("");
  const [problem, setProblem] = useState("");
  const drawn = readSeed(seed);
  const kinds = useMemo(() => lesson.kinds.filter((kind) => kind !== "explain" && kind !== "show"), [lesson]);
  const begin = async (event?: Event) => {
    event?.preventDefault();
    if (Number.isNaN(drawn)) return;
    try {
      await start(lesson, drawn, name);
    } catch (error) {
      setProblem((error as Error).message);
    }
  };
  const resume = () => under && look({ seed: String(under.seed), step: "go-on" }, true);
  useKeys(
    [
      { keys: ["l"], group: "Lesson", words: "To all lessons", act: () => go({ room: "lessons" }) },
      ...(under ? [{ keys: ["r"], group: "Lesson", words: "Go on where it was left", act: () => void resume() }] : []),
    ],
    [under?.token],
  );
  return (
    <div class="narrow stack">
      <p><a href="#/lessons">All lessons <kbd>l</kbd></a></p>
      <h1>{lesson.title}</h1>
      <p class="quiet">For {lesson.audience}. About {lesson.minutes} minutes, {lesson.kinds.length} steps.</p>
      <div class="sides">
        <section class="sheet stack" aria-labelledby="after">
          <h2 id="after">Who has taken it</h2>
          <ul>{lesson.objectives.map((text) => <li key={text}>{text}</li>)}</ul>
          <p class="small quiet">Asked: {[...new Set(kinds)].map((kind) => KINDS[kind]).join(", ")}.</p>
        </section>
        <section class="sheet stack" aria-labelledby="care">
          <h2 id="care">Take care</h2>
          <ul>{lesson.cautions.map((text) => <li key={text}>{text}</li>)}</ul>
          <details class="small"><summary>Sources</summary><ul>{lesson.sources.map((text) => <li key={text}>{text}</li>)}</ul></details>
        </section>
      </div>
      {problem && <p class="problem" role="alert">{problem}</p>}
      {under && <p class="sheet row"><span class="grow">You have begun this lesson in this browser.</span><button class="main" onClick={resume}>Go on where it was left <kbd>r</kbd></button></p>}
      <form class="sheet stack" onSubmit={(event) => void begin(event)}>
        <h2>{under ? "Begin anew" : "Take it alone"}</h2>
        <div class="fields">
          <div class="field"><label for="name">Name for the record <span class="quiet">(may stay empty)</span></label><input id="name" maxLength={80} value={name} onInput={(event) => setName(event.currentTarget.value)} /></div>
          <div class="field">
            <label for="seed">Seed of the patients <span class="quiet">(drawn by chance if empty)</span></label>
            <input id="seed" inputMode="numeric" value={seed} aria-invalid={Number.isNaN(drawn)} onInput={(event) => setSeed(event.currentTarget.value)} />
            {Number.isNaN(drawn) && <p class="slip" role="alert">A seed is a whole number of up to nine figures.</p>}
          </div>
        </div>
        <p class="small quiet">The same seed brings the same patients. Answers are kept as they are given, in the record beside the casebook.</p>
        <div class="row"><button class={under ? "" : "main"} disabled={Number.isNaN(drawn)}>Begin</button></div>
      </form>
      <p class="row"><a class="button" href={`#/teach?lesson=${encodeURIComponent(lesson.name)}`}>Teach it to a class</a></p>
    </div>
  );
}

async function start(lesson: Lesson, seed: number | null, name: string): Promise<void> {
  const { learner } = await beginAlone(lesson.name, seed, name);
  const { seed: drawn } = await new By("learner", learner).get<{ seed: number }>("/class/result");
  keeper.keep("alone", lesson.name, { token: learner, seed: drawn, title: lesson.title });
  look({ seed: String(drawn), step: "1" }, true, true);
}

function Taking({ lesson, token, seed }: { lesson: Lesson; token: string; seed: number }) {
  const { words } = usePlace();
  const [problem, setProblem] = useState("");
  const by = useMemo(() => new By("learner", token), [token]);
  const asked = Number(words.step);
  const leave = () => look({ step: "" });
  useKeys([{ keys: ["l"], group: "Lesson", words: "To all lessons", act: () => go({ room: "lessons" }) }], []);
  return (
    <div class="lesson">
      <div class="row">
        <h1 class="grow">{lesson.title}</h1>
        <span class="small quiet">seed {seed}</span>
        <a class="button" href="#/lessons">All lessons <kbd>l</kbd></a>
      </div>
      {problem
        ? <p class="problem row" role="alert"><span class="grow">{problem}</span><button onClick={() => (keeper.keep("alone", lesson.name, null), go({ room: "lessons", name: lesson.name }))}>Begin anew</button></p>
        : <Way by={by} at={Number.isInteger(asked) && asked > 0 ? asked - 1 : null} lost={setProblem}
            moved={(place) => look({ step: place === null ? "end" : String(place + 1) })}
            again={(same, result) => void start(lesson, same ? result.seed : null, "").then(() => undefined, (error: Error) => (leave(), setProblem(error.message)))} />}
    </div>
  );
}
