import { useEffect, useRef, useState } from "preact/hooks";

import { get, send, type Field, type Made, type Mappable, type NewCase as Asked, type Section, type Upload } from "./api";
import { Drop } from "./casebook";
import { handOver, mayBeLog, takeOver } from "./handed";
import { ColumnTable } from "./columns";
import { go } from "./place";
import { useTaken } from "./taken";
import { capital, size } from "./words";

const DRAFT = "tidebench-new-case";
type Answers = Record<string, Record<string, string>>;
interface Draft {
  title: string;
  named: string; // the title that a file's name gave, which the next file may change
  notes: string;
  answers: Answers;
}

const EMPTY: Draft = { title: "", named: "", notes: "", answers: {} };

function kept(): Draft {
  try {
    return { ...EMPTY, ...(JSON.parse(sessionStorage.getItem(DRAFT) ?? "{}") as Partial<Draft>) };
  } catch {
    return EMPTY;
  }
}

/** A new case by form, with a recording where there is one. What is typed survives leaving the page. */
export function NewCase() {
  const [sections, setSections] = useState<Section[]>([]);
  const [mappable, setMappable] = useState<Mappable[]>([]);
  const [draft, setDraft] = useState<Draft>(kept);
  const [without, setWithout] = useState<string[]>([]);
  const [answer, setAnswer] = useState<Made | null>(null);
  const [meant, setMeant] = useState<string[]>([]);
  const [problem, setProblem] = useState("");
  const taken = useTaken<Upload>("/uploads", (token) => `/uploads/${token}/preview`, setProblem);
  const { file, sent, columns } = taken;
  const dragged = useRef<File | null>(null);
  const top = useRef<HTMLDivElement>(null);

  useEffect(() => {
    void get<Section[]>("/case-form").then(setSections, (error: Error) => setProblem(error.message));
    void get<Mappable[]>("/mappable").then(setMappable);
    const waiting = takeOver();
    if (waiting) void take(waiting);
  }, []);
  useEffect(() => sessionStorage.setItem(DRAFT, JSON.stringify(draft)), [draft]);

  const take = async (chosen: File) => {
    dragged.current = chosen;
    setWithout([]);
    const named = chosen.name.replace(/\.[^.]+$/, "").replace(/[_-]+/g, " ");
    if (await taken.take(chosen)) setDraft((now) => (now.title && now.title !== now.named ? now : { ...now, title: named, named }));
  };

  const make = async (event: Event) => {
    event.preventDefault();
    setProblem("");
    const { named: _, ...said } = draft;
    const asked: Asked = { ...said, meant, upload: file?.token ?? "", columns, without };
    try {
      const made = await send<Made>("POST", "/cases", asked);
      if (!made.name) {
        setAnswer(made);
        top.current?.scrollIntoView({ block: "start" });
        top.current?.focus();
        return;
      }
      sessionStorage.removeItem(DRAFT);
      go({ room: "case", name: made.name, words: file ? { begin: "1" } : {} });
    } catch (error) {
      setProblem((error as Error).message);
    }
  };

  const put = (table: string, key: string, text: string) =>
    setDraft((now) => ({ ...now, answers: { ...now.answers, [table]: { ...now.answers[table], [key]: text } } }));
  const mode = draft.answers.settings?.mode ?? "";
  const slips = answer?.slips ?? [];
  const loose = slips.filter((slip) => !slip.key || slip.key === "upload");
  return (
    <form class="narrow stack" onSubmit={make} noValidate>
      <h1>New case</h1>
      <p class="quiet">Everything may be left out; what can't be computed without it is then said to be missing. Units may be typed behind a number.</p>
      <div ref={top} tabIndex={-1} class="stack">
        {problem && <div class="problem row" role="alert"><span class="grow">{problem}</span>{dragged.current && !file && sent === null && <AsLog file={dragged.current} />}</div>}
        {slips.length > 0 && (
          <div class="problem" role="alert">
            {loose.map((slip) => <p key={slip.problem}>{slip.problem}</p>)}
            {slips.length > loose.length && <p>{slips.length - loose.length === 1 ? "One answer" : `${slips.length - loose.length} answers`} can't be used yet; the reason stands beside each.</p>}
          </div>
        )}
        {answer?.doubts.map((doubt) => (
          <div class="problem row" role="alert" key={doubt}>
            <span class="grow">{doubt}</span>
            <label class="row"><input type="checkbox" checked={meant.includes(doubt)} onChange={(event) => setMeant(event.currentTarget.checked ? [...meant, doubt] : meant.filter((one) => one !== doubt))} /> It is meant so</label>
          </div>
        ))}
      </div>

      <fieldset class="stack">
        <legend>Recording</legend>
        {!file && sent === null && <Drop taken={(chosen) => void take(chosen)} />}
        {sent !== null && (
          <div class="row"><progress class="grow" value={sent} aria-label="Sending the file" /><button type="button" onClick={taken.stop}>Stop</button></div>
        )}
        {file && (
          <>
            <div class="row">
              <strong>{file.file}</strong><span class="quiet">{size(file.size)}</span><span class="grow" />
              <button type="button" onClick={taken.drop}>Another file</button>
            </div>
            {file.people.length > 0 && (
              <div class="problem stack" role="alert">
                <p>Columns seem to speak of people: {file.people.map((name) => `“${name}”`).join(", ")}. Nobody's name or number belongs into a case.</p>
                <label class="row"><input type="checkbox" checked={without.length > 0} onChange={(event) => setWithout(event.currentTarget.checked ? file.people : [])} /> Copy the file without them, and without its comment lines</label>
              </div>
            )}
            {file.comments && !file.people.length && <p class="small">The file holds comment lines (#). Check that they name nobody.</p>}
            {file.problem ? <p class="problem" role="alert">{file.problem} Or choose below what each column holds, and in which unit. {dragged.current && <AsLog file={dragged.current} />}</p> : <p>All that is needed is understood.</p>}
            <ColumnTable columns={file.columns} mappable={mappable} said={columns} say={(header, words) => void taken.say(header, words)} />
          </>
        )}
      </fieldset>

      <fieldset>
        <legend>Case</legend>
        <div class="fields">
          <div class="field"><label for="title">What it is about, in a few words; no names</label><input id="title" value={draft.title} maxLength={200} onInput={(event) => setDraft({ ...draft, title: event.currentTarget.value })} /></div>
          <div class="field" style={{ gridColumn: "span 2" }}><label for="notes">Notes</label><textarea id="notes" rows={2} value={draft.notes} maxLength={4000} onInput={(event) => setDraft({ ...draft, notes: event.currentTarget.value })} /></div>
        </div>
      </fieldset>
      {sections.map((section) => (
        <fieldset key={section.key}>
          <legend>{section.title}</legend>
          <div class="fields">
            {section.fields.filter((field) => !field.modes.length || field.modes.includes(mode)).map((field) => (
              <FieldRow key={`${field.table}.${field.key}`} field={field} value={draft.answers[field.table]?.[field.key] ?? ""}
                slip={slips.find((slip) => slip.table === field.table && slip.key === field.key)?.problem ?? ""}
                put={(text) => put(field.table, field.key, text)} />
            ))}
          </div>
        </fieldset>
      ))}
      <div class="row">
        <button class="main" disabled={sent !== null || Boolean(file?.problem)}>{file ? "Make the case and review it" : "Make the case"}</button>
        <button type="button" onClick={() => (setDraft(EMPTY), setAnswer(null))}>Clear the form</button>
      </div>
    </form>
  );
}

/** A file of text without signals may be a log. */
function AsLog({ file }: { file: File }) {
  if (!mayBeLog(file)) return null;
  return <button type="button" onClick={() => (handOver(file, "log"), go({ room: "logs" }))}>Read it as an event log</button>;
}

function FieldRow({ field, value, slip, put }: { field: Field; value: string; slip: string; put: (text: string) => void }) {
  const id = `${field.table}-${field.key}`;
  const words = { id, value, "aria-invalid": Boolean(slip), "aria-describedby": slip ? `${id}-slip` : undefined };
  return (
    <div class="field">
      <label for={id}>{capital(field.label)}</label>
      {field.choices.length ? (
        <select {...words} onChange={(event) => put(event.currentTarget.value)}>
          <option value="">not said</option>
          {field.choices.map((choice) => <option key={choice}>{choice}</option>)}
        </select>
      ) : (
        <span class="with-unit"><input {...words} inputMode="decimal" title={field.possible} onInput={(event) => put(event.currentTarget.value)} /> {field.unit && <span class="quiet small">{field.unit}</span>}</span>
      )}
      {slip && <p class="slip" id={`${id}-slip`}>{slip}</p>}
    </div>
  );
}
