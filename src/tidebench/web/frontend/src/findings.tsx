// The findings: one in full with what people say of it, and all of them by kind.
import { useEffect, useState } from "preact/hooks";

import { caseUrl, send, type Finding, type Marked, type MarkState, type Review } from "./api";
import { say } from "./notices";
import { capital } from "./words";

const WHO = "tidebench-who";
const STATES: [state: MarkState, words: string, key: string][] = [
  ["confirmed", "Confirm", "c"],
  ["rejected", "Reject", "x"],
  ["unsure", "Unsure", "u"],
];

/** Says what a finding is; the notice takes it back. */
export async function saveMark(name: string, finding: Finding, state: MarkState, note: string, done: (told: Marked) => void, quiet = false, seen: string | null = null): Promise<void> {
  const path = `${caseUrl(name)}/findings/${finding.index}/mark`;
  try {
    const told = await send<Marked>("PUT", path, { state, note, seen, who: localStorage.getItem(WHO) ?? "" });
    done(told);
    if (quiet) return;
    const before = told.before;
    const others = before && before.when !== finding.mark?.when ? ` It replaces what ${before.who || "somebody"} said since this page was read: ${before.state}${before.note && `, “${before.note}”`}.` : "";
    const back = () => void saveMark(name, told.finding, (before?.state as MarkState | undefined) ?? "open", before?.note ?? "", done, true);
    say(state === "open" ? `The mark on ${finding.label} at ${finding.time} was taken off.${others}` : `${capital(finding.label)} at ${finding.time}: ${state}.${others}`, back);
  } catch (error) {
    say((error as Error).message);
  }
}

interface Props {
  review: Review;
  finding: Finding | null;
  tally: string;
  marked: { [index: string]: string };
  left: Set<string>;
  setLeft: (left: Set<string>) => void;
  step: (direction: 1 | -1) => void;
  toKind: (kind: string) => void;
  mark: (state: MarkState, note?: string, beside?: boolean) => Promise<void>;
}

export function FindingsPanel({ review, finding, tally, marked, left, setLeft, step, toKind, mark }: Props) {
  if (!review.kinds.length) return <p>Nothing was found that a rule looks for. That says nothing of what no rule looks for.</p>;
  const turn = (kind: string, on: boolean) => {
    const next = new Set(left);
    if (on) next.delete(kind);
    else next.add(kind);
    setLeft(next);
  };
  return (
    <>
      <div class="row">
        <button onClick={() => step(-1)}>Previous <kbd>p</kbd></button>
        <button onClick={() => step(1)}>Next <kbd>n</kbd></button>
        <span class="small quiet grow">{tally}</span>
      </div>
      {finding ? <OneFinding key={finding.index} finding={finding} mark={mark} /> : <p class="quiet">Press n for the next finding, or choose a kind.</p>}
      <section aria-labelledby="kinds">
        <h3 id="kinds">All findings by kind</h3>
        <p class="small quiet">A tick means that next and previous stop there.</p>
        <ul class="kinds">
          {review.kinds.map((kind) => (
            <li key={kind.kind}>
              <div class="line">
                <input type="checkbox" aria-label={`Stop at ${kind.label}`} checked={!left.has(kind.kind)} onChange={(event) => turn(kind.kind, event.currentTarget.checked)} />
                <button class="plain grow" style={{ justifyContent: "flex-start", minHeight: 0 }} onClick={() => toKind(kind.kind)}><strong>{capital(kind.label)}</strong></button>
                <strong>{kind.count}</strong>
              </div>
              <details class="small">
                <summary>{kind.rate}{kind.share && `; ${kind.share}`}</summary>
                <p>{capital(kind.cluster)}. {count(kind.index, marked)}</p>
                <dl class="answer"><dt class="quiet">seen</dt><dd>{kind.about.seen}</dd><dt class="quiet">after</dt><dd>{kind.about.source}</dd><dt class="quiet">often behind it</dt><dd>{kind.about.behind}</dd><dt class="quiet">looked at next</dt><dd>{kind.about.further}</dd></dl>
              </details>
            </li>
          ))}
        </ul>
      </section>
    </>
  );
}

function count(index: number[], marked: { [index: string]: string }): string {
  const states = index.map((one) => marked[one]).filter(Boolean);
  return states.length ? `${states.length} of them marked.` : "None of them marked yet.";
}

function OneFinding({ finding, mark }: { finding: Finding; mark: Props["mark"] }) {
  const draft = `tidebench-note-${finding.kind}-${finding.start_s}`;
  const [note, setNote] = useState(() => sessionStorage.getItem(draft) ?? finding.mark?.note ?? "");
  const [who, setWho] = useState(() => localStorage.getItem(WHO) ?? "");
  useEffect(() => (note === (finding.mark?.note ?? "") ? sessionStorage.removeItem(draft) : sessionStorage.setItem(draft, note)), [note, finding.mark]);
  const state = finding.mark?.state;
  return (
    <article class="finding stack" aria-label={`${finding.label} at ${finding.time}`}>
      <h3>{capital(finding.label)} <span class="quiet">at {finding.time}, confidence {finding.confidence}</span></h3>
      <p>{finding.evidence}</p>
      {finding.values.length > 0 && (
        <table class="small"><tbody>{finding.values.map(([label, value]) => <tr key={label}><th scope="row">{label}</th><td class="num">{value}</td></tr>)}</tbody></table>
      )}
      <details class="small">
        <summary>What usually lies behind it, and what people look at next</summary>
        <p>{finding.about.behind}</p>
        <p>{finding.about.further}</p>
        <p class="quiet">Rule: {finding.rule}, version {finding.rule_version}; {finding.about.source}. {finding.decide}</p>
      </details>
      <div class="row" role="group" aria-label="What do you say?">
        {STATES.map(([one, words, key]) => (
          <button key={one} aria-pressed={state === one} onClick={() => void mark(one, note)}>{words} <kbd>{key}</kbd></button>
        ))}
        {state && <button class="plain" onClick={() => void mark("open", note)}>Take it off <kbd>o</kbd></button>}
      </div>
      <label for="note" class="small">Note</label>
      <textarea id="note" rows={2} maxLength={2000} value={note} onInput={(event) => setNote(event.currentTarget.value)} />
      <div class="row small">
        <label for="who">Said by</label>
        <input id="who" maxLength={80} placeholder="initials or a role" value={who} onInput={(event) => { setWho(event.currentTarget.value); localStorage.setItem(WHO, event.currentTarget.value); }} />
        {note !== (finding.mark?.note ?? "") && <button onClick={() => void mark((state as MarkState | undefined) ?? "unsure", note, true)}>Keep the note{state ? "" : ", unsure"}</button>}
      </div>
      {finding.mark && <p class="said small">{capital(finding.mark.state)}{finding.mark.who && ` by ${finding.mark.who}`}, {finding.mark.when.replace("T", " ").slice(0, 16)} UTC{finding.mark.rule_version !== null && finding.mark.rule_version !== finding.rule_version ? `, of version ${finding.mark.rule_version} of the rule` : ""}.{finding.mark.note && ` “${finding.mark.note}”`}</p>}
    </article>
  );
}
