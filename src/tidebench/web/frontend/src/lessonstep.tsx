// One step of a lesson: what is seen, what is asked, the answer, and what it was worth with the curve that proves it.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";

import { RunDebrief } from "./debrief";
import { useKeys } from "./keys";
import type { By, LessonMark, Step } from "./lessonapi";
import { LessonBench } from "./lessonbench";
import { Waves } from "./lessonfigure";
import { readNumber, verdict } from "./lessonwords";
import { capital } from "./words";

interface Props {
  step: Step;
  by: By;
  marked: (mark: LessonMark) => void;
}

/** A step with its answer; after it the mark. */
export function StepView({ step, by, marked }: Props) {
  const [problem, setProblem] = useState("");
  const [busy, setBusy] = useState(false);
  const answer = async (given: Record<string, unknown>) => {
    if (busy) return;
    setBusy(true);
    setProblem("");
    try {
      marked(await by.post<LessonMark>("/class/step/answer", { step: step.key, answer: given }));
    } catch (error) {
      setProblem((error as Error).message);
    } finally {
      setBusy(false);
    }
  };
  const open = step.mark === null && !step.closed;
  const Body = BODIES[step.kind] ?? Told;
  return (
    <article class="step stack" aria-labelledby="step-title">
      <Head step={step} />
      {problem && <p class="problem" role="alert">{problem}</p>}
      <Body key={step.key} step={step} by={by} open={open} busy={busy} answer={answer} marked={marked} />
      {step.mark && <Marked mark={step.mark} kind={step.kind} />}
      {step.mark && step.kind === "act" && <RunDebrief by={by} step={step.key} />}
    </article>
  );
}

export function Head({ step }: { step: Step }) {
  return (
    <>
      <h2 id="step-title" class="step-title"><span class="quiet">{step.place + 1} of {step.of}</span> {step.title}</h2>
      <p class="step-text">{step.text}</p>
      {step.who.length > 0 && <p class="small quiet">{step.who.join(" ")}</p>}
    </>
  );
}

interface Body {
  step: Step;
  by: By;
  open: boolean;
  busy: boolean;
  answer: (given: Record<string, unknown>) => Promise<void>;
  marked: (mark: LessonMark) => void;
}

const BODIES: Record<string, (body: Body) => preact.JSX.Element> = { explain: Told, show: Shown, find: Find, measure: Measure, predict: Predict, choose: Choose, act: Act };

function Told({ step }: Body) {
  return <>{step.figure && <div class="sheet strip"><Waves figure={step.figure} runs /></div>}</>;
}

function Shown({ step }: Body) {
  const [at, setAt] = useState<number | null>(null);
  const said = step.narration.filter((one) => at === null || one.at_s <= at);
  const latest = at === null ? null : said.at(-1);
  return (
    <div class="sheet strip stack">
      {step.figure && <Waves figure={step.figure} runs tell={setAt} />}
      <ol class="narration">
        {step.narration.map((one) => <li key={one.at_s} class={at !== null && one.at_s > at ? "to-come" : one === latest ? "latest" : undefined}><span class="when">{one.at_s} s</span> <span>{one.text}</span></li>)}
      </ol>
      <p class="hidden" aria-live="polite">{latest?.text ?? ""}</p>
    </div>
  );
}

/** The answer's button, and its key. */
function Give({ open, busy, ready, act, words = "Answer" }: { open: boolean; busy: boolean; ready: boolean; act: () => void; words?: string }) {
  useKeys(open ? [{ keys: ["a"], group: "Lesson", words: "Answer", act: () => ready && act() }] : [], [open, ready, act]);
  if (!open) return null;
  return <div class="row"><button class="main" disabled={busy || !ready} onClick={act}>{busy ? "Marking …" : words} <kbd>a</kbd></button></div>;
}

const Asks = ({ lines: [first, ...more] }: { lines: string[] }) => <>{first && <p>{first}</p>}{more.length > 0 && <ul>{more.map((line) => <li key={line}>{capital(line)}</li>)}</ul>}</>;

function Find({ step, open, busy, answer }: Body) {
  const given = step.given?.breaths as number[] | undefined;
  const [chosen, choose] = useState<Set<number>>(() => new Set(given ?? []));
  const toggle = (breath: number) => choose((now) => {
    const next = new Set(now);
    if (!next.delete(breath)) next.add(breath);
    return next;
  });
  const numbers = [...chosen].sort((a, b) => a - b);
  return (
    <>
      <div class="sheet strip">{step.figure && <Waves figure={step.figure} marked={chosen} toggle={open ? toggle : undefined} />}</div>
      {open && <p>Click breaths, or go through their numbers with <kbd>←</kbd> <kbd>→</kbd> and mark with <kbd>Space</kbd>. A breath is marked from its start to the next one's.</p>}
      <p aria-live="polite">{numbers.length ? `${open ? "Marked" : "You marked"}: ${numbers.join(", ")}.` : open ? "No breath is marked." : "You marked no breath."}</p>
      <Give open={open} busy={busy} ready act={() => void answer({ breaths: numbers })} words={numbers.length ? "Answer" : "Answer: there is none"} />
    </>
  );
}

function Choose({ step, open, busy, answer }: Body) {
  const [picked, pick] = useState(Number(step.given?.answer ?? 0));
  useKeys(
    open ? [{ keys: step.answers.map((_, i) => String(i + 1)), group: "Lesson", words: "Choose an answer", act: (event) => pick(Number(event.key)) }] : [],
    [open, step],
  );
  return (
    <>
      {step.figure && <div class="sheet strip"><Waves figure={step.figure} /></div>}
      <fieldset class="answers" disabled={!open}>
        <legend class="hidden">{step.text}</legend>
        {step.answers.map((words, i) => (
          <label key={words} class={picked === i + 1 ? "option chosen" : "option"}>
            <input type="radio" name={step.key} checked={picked === i + 1} onChange={() => pick(i + 1)} /> <kbd>{i + 1}</kbd> <span>{words}</span>
          </label>
        ))}
      </fieldset>
      <Give open={open} busy={busy} ready={picked > 0} act={() => void answer({ answer: picked })} />
      {step.mark && step.source && <p class="small quiet">Source: {step.source}</p>}
    </>
  );
}

const WAYS: [way: string, sign: string, words: string][] = [["falls", "↘", "falls"], ["same", "→", "stays about the same"], ["rises", "↗", "rises"]];

function Predict({ step, open, busy, answer }: Body) {
  const [said, say] = useState<Record<string, string>>((step.given?.ways as Record<string, string> | undefined) ?? {});
  const ready = step.ways.every((one) => said[one.truth]);
  return (
    <>
      {step.figure && <div class="sheet strip"><Waves figure={step.figure} /></div>}
      <div class="foresee">
        {step.ways.map((one) => (
          <fieldset key={one.truth} disabled={!open} class="answers across">
            <legend>{capital(one.label)}</legend>
            {WAYS.map(([way, sign, words]) => (
              <label key={way} class={said[one.truth] === way ? "option chosen" : "option"}>
                <input type="radio" name={`${step.key} ${one.truth}`} checked={said[one.truth] === way} onChange={() => say((now) => ({ ...now, [one.truth]: way }))} /> <span aria-hidden="true">{sign}</span> <span>{words}</span>
              </label>
            ))}
          </fieldset>
        ))}
      </div>
      <Give open={open} busy={busy} ready={ready} act={() => void answer({ ways: said })} />
    </>
  );
}

function Measure({ step, by, open, busy, answer, marked }: Body) {
  const [held, setHeld] = useState<{ at_s: number; kind: string }[]>([]);
  return (
    <>
      <Asks lines={step.asks} />
      {step.bench
        ? open && <LessonBench step={step} by={by} marked={marked} held={setHeld} />
        : step.figure && <div class="sheet strip"><Waves figure={step.figure} /></div>}
      {open && !step.bench && <p class="small quiet">Move over the curves: the value under the cursor stands at their left. Drag across them to look closer.</p>}
      {step.number && <NumberField step={step} open={open} busy={busy} give={(value) => void answer({ value, ...(step.bench ? { manoeuvres: held } : {}) })} />}
    </>
  );
}

function NumberField({ step, open, busy, give }: { step: Step; open: boolean; busy: boolean; give: (value: number) => void }) {
  const [text, setText] = useState(step.given ? String(step.given.value) : "");
  const field = useRef<HTMLInputElement>(null);
  const { label, unit } = step.number!;
  const value = readNumber(text);
  useKeys(open ? [{ keys: ["f"], group: "Lesson", words: "To the number", act: () => field.current?.focus() }] : [], [open]);
  const wrong = text !== "" && Number.isNaN(value);
  return (
    <form class="row number" onSubmit={(event) => (event.preventDefault(), open && Number.isFinite(value) && give(value))}>
      <label for="number">{capital(label)}</label>
      <input id="number" ref={field} inputMode="decimal" autocomplete="off" size={7} value={text} disabled={!open} aria-invalid={wrong} onInput={(event) => setText(event.currentTarget.value)} />
      <span>{unit}</span>
      {open && <button class="main" disabled={busy || !Number.isFinite(value)}>{busy ? "Marking …" : "Answer"} <kbd>Enter</kbd></button>}
      {wrong && <span class="slip" role="alert">This is no number.</span>}
    </form>
  );
}

function Act({ step, by, open, marked }: Body) {
  return (
    <>
      {open ? <LessonBench step={step} by={by} marked={marked} /> : <Asks lines={step.asks} />}
    </>
  );
}

const COLUMNS: Record<string, [yours: string, truth: string]> = { act: ["At the end", "The limit"] };

export function Marked({ mark, kind: of, heading = true }: { mark: LessonMark; kind: string; heading?: boolean }) {
  const { sign, words, kind } = verdict(mark.points);
  const box = useRef<HTMLElement>(null);
  const [yours, truth] = COLUMNS[of] ?? ["Your answer", "The truth"];
  const parts = heading && of === "choose" ? [] : mark.parts; // what is said holds it all
  useEffect(() => {
    if (heading) box.current?.scrollIntoView?.({ block: "nearest" });
  }, []);
  const proof = useMemo(() => mark.proof, [mark]);
  return (
    <section class={`sheet mark-of ${kind}`} aria-labelledby="mark-title" ref={box}>
      {heading && <h3 id="mark-title" class="mark-title" role="status"><span class="mark-sign" aria-hidden="true">{sign}</span> {words}</h3>}
      <p>{mark.said}</p>
      {parts.length > 0 && (
        <div class="scroll">
          <table>
            <thead><tr><th scope="col">Asked</th>{heading && <th scope="col">{yours}</th>}<th scope="col">{truth}</th><th scope="col"><span class="hidden">mark</span></th></tr></thead>
            <tbody>{parts.map((part) => <tr key={part.what}><th scope="row">{capital(part.what)}</th>{heading && <td>{part.yours}</td>}<td>{part.truth}</td><td><Sign points={part.points} /></td></tr>)}</tbody>
          </table>
        </div>
      )}
      {proof && <><h4>{proof.title}</h4><Waves figure={proof} small={proof.channels.length > 2} /></>}
    </section>
  );
}

export function Sign({ points }: { points: number | null }) {
  if (points === null) return null;
  const { sign, words, kind } = verdict(points);
  return <span class={`sign ${kind}`} title={words}><span aria-hidden="true">{sign}</span><span class="hidden">{words}</span></span>;
}

/** A share as a bar. */
export function Share({ value, of, label }: { value: number; of: number; label: string }) {
  return <div class="share" role="meter" aria-valuemin={0} aria-valuemax={of} aria-valuenow={value} aria-label={label}><div style={{ width: `${of ? (100 * value) / of : 0}%` }} /></div>;
}
