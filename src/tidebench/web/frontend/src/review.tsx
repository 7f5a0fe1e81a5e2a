// The review room: the whole record above, a stretch of it below, and beside them what is asked about.
import { useCallback, useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";

import { caseUrl, get, type Breath, type Finding, type Quantity, type Review } from "./api";
import { Answers } from "./answers";
import { BreathPanel } from "./breath";
import { Compare } from "./compare";
import { Detail } from "./detail";
import { FindingsPanel, saveMark } from "./findings";
import { useKeys } from "./keys";
import { say, undoLast } from "./notices";
import { CaseLinks } from "./links";
import { go, look, usePlace } from "./place";
import { Record } from "./record";
import { Save } from "./save";
import { begin, inside, moved, showing, zoomed, type Stretch } from "./stretch";

interface Props {
  name: string;
  review: Review;
  known: { [key: string]: Quantity };
  again: () => void;
}

const TABS = [
  ["breath", "Breath"],
  ["findings", "Findings"],
  ["numbers", "Numbers"],
  ["compare", "Compare"],
  ["save", "Save"],
] as const;
type Tab = (typeof TABS)[number][0];
const WAIT_MS = 250;
const OPEN_LINES = 4;

export interface Spot {
  index: number;
  kind: string;
  start: number;
  breath: number | null;
}

/** Every finding in the order of time, of the kinds that are stepped through. */
export function spots(review: Review, left: Set<string>): Spot[] {
  const found = review.kinds.filter((kind) => !left.has(kind.kind)).flatMap((kind) => kind.index.map((index, i) => ({ index, kind: kind.kind, start: kind.starts_s[i]!, breath: kind.breaths[i] ?? null })));
  return found.sort((a, b) => a.start - b.start || a.index - b.index);
}

export function ReviewRoom({ name, review, known, again }: Props) {
  const place = usePlace();
  const words = place.words;
  const end = review.duration_s;
  const [stretch, setStretch] = useState<Stretch>(() => stretchOf(words, review));
  const [breath, setBreath] = useState<Breath | null>(null);
  const [finding, setFinding] = useState<Finding | null>(null);
  const [marked, setMarked] = useState(review.marked);
  const [tally, setTally] = useState(review.tally);
  const [left, setLeft] = useState<Set<string>>(new Set());
  const tab = (TABS.some(([key]) => key === words.tab) ? words.tab : "breath") as Tab;
  const timer = useRef(0);
  const asked = useRef<{ breath?: AbortController; finding?: AbortController }>({});
  const spot = useRef<{ index: number; told: Promise<Finding | null> } | null>(null);
  const order = useMemo(() => spots(review, left), [review, left]);

  const see = useCallback((wanted: Stretch) => {
    const kept = inside(wanted, end);
    setStretch(kept);
    window.clearTimeout(timer.current);
    timer.current = window.setTimeout(() => look({ from: kept.from.toFixed(3), to: kept.to.toFixed(3) }), WAIT_MS);
  }, [end]);

  const showBreath = useCallback(async (index: number) => {
    if (index < 0 || index >= review.breaths) return null;
    asked.current.breath?.abort();
    asked.current.breath = new AbortController();
    const told = await get<Breath>(`${caseUrl(name)}/breaths/${index}`, asked.current.breath.signal).catch((error: Error) => {
      if (error.name !== "AbortError") say(error.message);
      return null;
    });
    if (told) setBreath(told);
    return told;
  }, [name, review.breaths]);

  const toBreath = useCallback(async (index: number) => {
    const told = await showBreath(index);
    if (!told) return;
    look({ b: String(told.breath) });
    setStretch((now) => {
      const shown = showing(now, told.start_s, told.end_s, end);
      if (shown !== now) look({ from: shown.from.toFixed(3), to: shown.to.toFixed(3) });
      return shown;
    });
  }, [showBreath, end]);

  const showFinding = useCallback(async (index: number) => {
    asked.current.finding?.abort();
    asked.current.finding = new AbortController();
    const asking = get<Finding>(`${caseUrl(name)}/findings/${index}`, asked.current.finding.signal).catch((error: Error) => {
      if (error.name !== "AbortError") say(error.message);
      return null;
    });
    spot.current = { index, told: asking };
    const told = await asking;
    if (told) setFinding(told);
    return told;
  }, [name]);

  const toFinding = useCallback((wanted: Spot | undefined) => {
    if (!wanted) return;
    setStretch((now) => showing(now, wanted.start, wanted.start, end));
    if (wanted.breath !== null) void showBreath(wanted.breath);
    void showFinding(wanted.index).then((told) => {
      if (!told) return;
      look({ f: `${told.kind}@${told.start_s.toFixed(3)}`, tab: "findings" });
      setStretch((now) => {
        const shown = showing(now, told.start_s, Math.min(told.end_s, told.start_s + (now.to - now.from)), end);
        look({ from: shown.from.toFixed(3), to: shown.to.toFixed(3) });
        return shown;
      });
    });
  }, [showFinding, showBreath, end]);

  const stepFinding = (direction: 1 | -1) => {
    const at = order.findIndex((one) => one.index === spot.current?.index);
    const to = at >= 0 ? at + direction : begin(order.map((one) => one.start), (stretch.from + stretch.to) / 2, direction);
    if (to < 0 || to >= order.length) return say(order.length ? "There is no further finding that way." : "There are no findings of the chosen kinds.");
    toFinding(order[to]);
  };

  const mark = async (state: "confirmed" | "rejected" | "unsure" | "open", note?: string, beside = false) => {
    const marking = (await spot.current?.told) ?? finding;
    if (!marking) return say("Choose a finding first: n goes to the next one.");
    const latest = finding?.index === marking.index ? finding : marking;
    await saveMark(name, latest, state, note ?? latest.mark?.note ?? "", (told) => {
      setFinding((now) => (now?.index === told.finding.index ? told.finding : now));
      setTally(told.tally);
      setMarked((now) => {
        const rest = { ...now };
        if (told.finding.mark) rest[told.finding.index] = told.finding.mark.state;
        else delete rest[told.finding.index];
        return rest;
      });
    }, false, beside ? latest.mark?.when ?? "" : null);
    if (beside) void showFinding(latest.index); // what another said meanwhile is shown, the note stays typed
  };

  useEffect(() => {
    const wanted = stretchOf(words, review);
    setStretch((now) => (Math.abs(now.from - wanted.from) < 2e-3 && Math.abs(now.to - wanted.to) < 2e-3 ? now : wanted));
  }, [words.from, words.to]);
  useLayoutEffect(() => {
    const index = words.b ? Number(words.b) : review.typical_breath;
    if (index !== null && index !== undefined && Number.isInteger(index)) void showBreath(index);
  }, []);
  useEffect(() => {
    const [kind, at] = (words.f ?? "").split("@");
    const spot = spots(review, new Set()).find((one) => one.kind === kind && Math.abs(one.start - Number(at)) < 0.06);
    if (spot) void showFinding(spot.index);
  }, []);

  useKeys(
    [
      { keys: ["n"], group: "Findings", words: "Next finding", act: () => stepFinding(1) },
      { keys: ["p"], group: "Findings", words: "Previous finding", act: () => stepFinding(-1) },
      { keys: ["c"], group: "Findings", words: "Confirm it", act: () => void mark("confirmed") },
      { keys: ["x"], group: "Findings", words: "Reject it", act: () => void mark("rejected") },
      { keys: ["u"], group: "Findings", words: "Unsure of it", act: () => void mark("unsure") },
      { keys: ["o"], group: "Findings", words: "Take the mark off", act: () => void mark("open") },
      { keys: ["z"], group: "Everywhere", words: "Take the last change back", act: undoLast },
      { keys: ["ArrowRight"], group: "Breaths and time", words: "Next breath", act: () => void toBreath((breath?.breath ?? -1) + 1) },
      { keys: ["ArrowLeft"], group: "Breaths and time", words: "Previous breath", act: () => void toBreath((breath?.breath ?? 1) - 1) },
      { keys: ["Shift+ArrowRight", "l"], group: "Breaths and time", words: "Move on by half a stretch", act: () => see(moved(stretch, 0.5, end)) },
      { keys: ["Shift+ArrowLeft", "h"], group: "Breaths and time", words: "Move back by half a stretch", act: () => see(moved(stretch, -0.5, end)) },
      { keys: ["+", "="], group: "Breaths and time", words: "Closer", act: () => see(zoomed(stretch, 0.5, end)) },
      { keys: ["-"], group: "Breaths and time", words: "Further away", act: () => see(zoomed(stretch, 2, end)) },
      { keys: ["i"], group: "Everywhere", words: "What if the settings were others?", act: () => go({ room: "whatif", name }) },
      { keys: ["w"], group: "Breaths and time", words: "The whole record", act: () => see({ from: 0, to: end }) },
      ...TABS.map(([key, label], i) => ({ keys: [String(i + 1)], group: "Beside the record", words: label, act: () => look({ tab: key }) })),
    ],
    [finding, order, breath, stretch, end],
  );

  return (
    <>
      <div class="row">
        <h1 class="grow">{review.title}</h1>
        <a class="button" href={`#/whatif/${encodeURIComponent(name)}`}>What if? <kbd>i</kbd></a>
        <button onClick={again}>Review again</button>
      </div>
      <CaseLinks name={name} recorded />
      <p>{review.patient}</p>
      <p class="quiet">{review.recording} {review.policy}</p>
      <Quality lines={review.quality} />
      <section aria-labelledby="first" style={{ marginTop: "0.9rem" }}>
        <h2 id="first" style={{ marginBottom: "0.4rem" }}>What matters first</h2>
        <ol class="matters">
          {review.matters.map((matter) => (
            <li key={matter.headline}>
              <p class="headline">{matter.headline}</p>
              {matter.detail && <p class="small">{matter.detail}</p>}
            </li>
          ))}
        </ol>
      </section>
      <div class="bench">
        <div class="grow">
          <Record review={review} known={known} stretch={stretch} see={see} marked={marked} chosen={finding?.index ?? null} toFinding={toFinding} />
          <Detail name={name} review={review} known={known} stretch={stretch} see={see} breath={breath} finding={finding}
            hover={(index) => void showBreath(index)} pick={(index) => void toBreath(index)} />
        </div>
        <aside class="sheet side" aria-label="Beside the record">
          <div class="tabs" role="tablist" aria-label="What is asked about" onKeyDown={stepTabs}>
            {TABS.map(([key, label]) => (
              <button key={key} role="tab" id={`tab-${key}`} aria-controls="beside" aria-selected={tab === key} tabIndex={tab === key ? 0 : -1} onClick={() => look({ tab: key })}>{label}</button>
            ))}
          </div>
          <div class="panel stack" role="tabpanel" id="beside" aria-labelledby={`tab-${tab}`} tabIndex={0}>
            {tab === "breath" && <BreathPanel breath={breath} known={known} last={review.breaths - 1} to={(index) => void toBreath(index)} />}
            {tab === "findings" && (
              <FindingsPanel review={review} finding={finding} tally={tally} marked={marked} left={left} setLeft={setLeft} step={stepFinding}
                toKind={(kind) => toFinding(order.find((spot) => spot.kind === kind && spot.start > stretch.from) ?? spots(review, new Set()).find((spot) => spot.kind === kind))} mark={mark} />
            )}
            {tab === "numbers" && <Answers review={review} known={known} />}
            {tab === "compare" && <Compare name={name} end={end} stretch={stretch} see={see} known={known} words={words} />}
            {tab === "save" && <Save name={name} stretch={stretch} breath={breath} />}
          </div>
        </aside>
      </div>
    </>
  );
}

function stretchOf(words: { [key: string]: string }, review: Review): Stretch {
  const [from, to] = [Number(words.from), Number(words.to)];
  const said = words.from !== undefined && words.to !== undefined && to > from;
  return inside(said ? { from, to } : { from: review.first_from_s, to: review.first_to_s }, review.duration_s);
}

function stepTabs(event: KeyboardEvent): void {
  const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!step) return;
  event.preventDefault();
  const all = [...(event.currentTarget as HTMLElement).querySelectorAll<HTMLButtonElement>("[role=tab]")];
  const to = all[(all.indexOf(event.target as HTMLButtonElement) + step + all.length) % all.length]!;
  to.focus();
  to.click();
}

/** What is known of the recording: few lines stand open, since a doubt of a unit may be among them. */
function Quality({ lines }: { lines: string[] }) {
  const [first, ...rest] = lines;
  if (!first) return null;
  return (
    <>
      <p class="small">{first} {rest.slice(0, OPEN_LINES).join(" ")}</p>
      {rest.length > OPEN_LINES && (
        <details class="small">
          <summary>And {rest.length - OPEN_LINES} more about the recording</summary>
          <ul>{rest.slice(OPEN_LINES).map((line) => <li key={line}>{line}</li>)}</ul>
        </details>
      )}
    </>
  );
}
