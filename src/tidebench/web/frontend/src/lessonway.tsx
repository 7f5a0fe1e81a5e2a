// The way through a lesson, the same for who learns alone and who learns in a class: steps beside, the step, its result.
import { useEffect, useRef, useState } from "preact/hooks";

import { useKeys } from "./keys";
import type { By, LearnerNow, LessonMark, Result, Step, StepState } from "./lessonapi";
import { Share, Sign, StepView } from "./lessonstep";
import { barrier, KINDS } from "./lessonwords";
import { say } from "./notices";

interface Props {
  by: By;
  at?: number | null;
  moved?: (place: number | null) => void;
  again: (same: boolean, result: Result) => void;
  lost: (why: string) => void;
}

const FOLLOW_MS = 1500;
const END = -1;

/** A learner's way: `at` is the step that the address asks for. */
export function Way({ by, at = null, moved, again, lost }: Props) {
  const [step, setStep] = useState<Step | null>(null);
  const [result, setResult] = useState<Result | null>(null);
  const [problem, setProblem] = useState("");
  const top = useRef<HTMLDivElement>(null);
  const now = useRef<Step | null>(null);
  now.current = step;
  const tell = (error: unknown) => setProblem((error as Error).message);

  const load = async () => {
    try {
      const told = await by.get<Step>("/class");
      setStep(told);
      setResult(null);
      setProblem("");
      moved?.(told.place);
    } catch (error) {
      lost((error as Error).message);
    }
  };
  const go = async (place: number) => {
    try {
      if (place === END) {
        setResult(await by.get<Result>("/class/result"));
        moved?.(null);
      } else {
        await by.post("/class/step/go", { place });
        await load();
      }
      top.current?.focus();
    } catch (error) {
      tell(error);
    }
  };
  useEffect(() => {
    const begin = async () => {
      if (at !== null && at >= 0) await by.post("/class/step/go", { place: at }).catch(() => undefined);
      await load();
    };
    void begin();
  }, [by]);
  useFollowing(by, now, () => void load());

  const marked = (mark: LessonMark) => setStep((before) => before && { ...before, mark, steps: before.steps.map((one) => (one.key === before.key ? { ...one, points: mark.points } : one)) });
  const steps = step?.steps ?? [];
  const last = steps.length - 1;
  const place = step?.place ?? 0;
  const waiting = Boolean(step && step.mark === null && steps[place]?.asks);
  const answered = steps.length > 0 && steps.every((one) => !one.asks || one.points !== null);
  const next = () => {
    if (!step || step.led) return;
    if (waiting) return say("Answer first: then it goes on.");
    if (place < last) void go(place + 1);
    else void go(END);
  };
  const back = () => void (result ? go(last) : place > 0 && step && !step.led && go(place - 1));
  useKeys(
    [
      { keys: ["n"], group: "Lesson", words: "To the next step", act: next },
      { keys: ["b"], group: "Lesson", words: "A step back", act: back },
    ],
    [step, result, waiting],
  );
  if (!step) return <p class="quiet">{problem || "Loading …"}</p>;
  return (
    <>
      {!step.alone && <h1>{step.lesson_title} {step.seat !== null && <span class="state">seat {step.seat}</span>}</h1>}
      <div class="lesson-way">
        <nav class="steps" aria-label="Steps of the lesson">
          <ol>
            {steps.map((one, i) => <li key={one.key}><StepLink one={one} here={!result && i === place} open={!step.led && i <= barrier(steps)} go={() => void go(i)} /></li>)}
          </ol>
          {answered && !step.led && <button class={result ? "plain way chosen" : "plain way"} aria-current={result ? "step" : undefined} onClick={() => void go(END)}>What it came to</button>}
        </nav>
        <div class="grow stack" ref={top} tabIndex={-1}>
          {problem && <p class="problem row" role="alert"><span class="grow">{problem}</span><button class="plain" onClick={() => setProblem("")}>Close</button></p>}
          {step.closed && <p class="sheet">The teacher has closed the class. What was answered is kept.</p>}
          {result ? <ResultView result={result} again={again} toStep={(key) => void go(steps.findIndex((one) => one.key === key))} /> : <StepView key={step.key} step={step} by={by} marked={marked} />}
          {!result && (
            <div class="row way-on">
              {!step.led && <button disabled={place === 0} onClick={back}>Back <kbd>b</kbd></button>}
              {step.led ? <p class="quiet" role="status">{waiting ? "The teacher waits for your answer." : "The teacher goes on when everybody is ready."}</p> : <button class={waiting ? "" : "main"} disabled={waiting} onClick={next}>{place < last ? "Next" : "What it came to"} <kbd>n</kbd></button>}
              {step.led && answered && <button onClick={() => void go(END)}>What it came to</button>}
            </div>
          )}
        </div>
      </div>
    </>
  );
}

/** Follow a teacher: look often where one is to be, and load when that has changed. */
function useFollowing(by: By, step: { current: Step | null }, load: () => void): void {
  useEffect(() => {
    let over = false;
    const look = async () => {
      if (over) return;
      const known = step.current;
      if (known?.alone) return;
      if (known) {
        const now = await by.get<LearnerNow>("/class/now").catch(() => null);
        if (!over && now && (now.led !== known.led || now.closed !== known.closed || (now.led && now.place !== known.place))) load();
      }
      window.setTimeout(() => void look(), FOLLOW_MS);
    };
    window.setTimeout(() => void look(), FOLLOW_MS);
    return () => void (over = true);
  }, [by]);
}

function StepLink({ one, here, open, go }: { one: StepState; here: boolean; open: boolean; go: () => void }) {
  return (
    <button class={here ? "plain way chosen" : "plain way"} aria-current={here ? "step" : undefined} disabled={!open && !here} onClick={go}>
      <span class="grow">{one.title}<span class="small quiet kind">{KINDS[one.kind]}</span></span>
      <Sign points={one.points} />
    </button>
  );
}

function ResultView({ result, again, toStep }: { result: Result; again: Props["again"]; toStep: (key: string) => void }) {
  const of = (points: number, whole: number) => `${Number(points.toFixed(1))} of ${whole}`;
  return (
    <article class="stack" aria-labelledby="result-title">
      <h2 id="result-title" class="step-title">What it came to</h2>
      <p class={`sheet verdict ${result.passed ? "right" : "part"}`} role="status">
        <b>{of(result.points, result.of)} marks: {result.over ? (result.passed ? "passed" : "not passed yet") : "not finished yet"}.</b>{" "}
        It takes {result.pass_percent} % of all marks and half of those of each objective.{result.expires && <> It counts until {result.expires}.</>}
      </p>
      <section class="sheet stack" aria-labelledby="by-objective">
        <h3 id="by-objective">By objective</h3>
        {result.objectives.map((one) => (
          <div key={one.text} class="objective"><span>{one.text}</span><Share value={one.points} of={one.of} label={one.text} /><b class="num">{of(one.points, one.of)}</b></div>
        ))}
      </section>
      <section class="sheet stack" aria-labelledby="by-step">
        <h3 id="by-step">Step by step</h3>
        <ul class="found">{result.steps.filter((one) => one.asks).map((one) => <li key={one.key} class="row"><Sign points={one.points} /><span class="grow">{one.title}</span><button class="plain small" onClick={() => toStep(one.key)}>look again</button></li>)}</ul>
      </section>
      <p class="small quiet">{result.said}</p>
      {result.alone && (
        <div class="row">
          <button class="main" onClick={() => again(false, result)}>Again, with other patients</button>
          <button onClick={() => again(true, result)}>Again, with the same ones (seed {result.seed})</button>
        </div>
      )}
    </article>
  );
}
