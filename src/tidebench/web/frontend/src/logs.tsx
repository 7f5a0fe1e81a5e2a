// Event logs: dragged in, columns said where a header doesn't, read beside a case, and shown.
import { useEffect, useRef, useState } from "preact/hooks";

import { caseUrl, get, send, stopped, type Entry, type Job, type LogTold, type LogUpload, type Quantity } from "./api";
import { CareParts } from "./care";
import { Drop } from "./casebook";
import { takeOver } from "./handed";
import { follow } from "./jobs";
import { useKeys } from "./keys";
import { say, undoLast } from "./notices";
import { go, look, usePlace } from "./place";
import { quantities } from "./quantities";
import { useTaken } from "./taken";
import { capital, size } from "./words";

const ROLES: Record<string, string> = {
  time: "time", date: "day, where the time has none", until: "when it ended", duration: "how long it lasted", bed: "bed", kind: "kind of event",
  priority: "priority of an alarm", state: "on or off", name: "name of the alarm or setting", text: "text", value: "value", before: "value before",
};
const UNITS: Record<string, string[]> = { time: ["s", "ms", "min", "h"], duration: ["s", "ms", "min", "h"] };

export function LogsRoom({ name }: { name: string }) {
  const place = usePlace();
  const [cases, setCases] = useState<Entry[]>([]);
  const [known, setKnown] = useState<Record<string, Quantity>>({});
  const [told, setTold] = useState<LogTold | null>(null);
  const [job, setJob] = useState<Job | null>(null);
  const [problem, setProblem] = useState("");
  const [kept, setKept] = useState<string[]>([]);
  const [more, setMore] = useState({ offset: "", zero: "", bed: "" });
  const way = useRef<AbortController | null>(null);
  const taken = useTaken<LogUpload>("/uploads/logs", (token) => `/logs/${token}/preview`, setProblem);
  const { file, sent, columns } = taken;

  useEffect(() => {
    void get<Entry[]>("/cases").then(setCases, () => setCases([]));
    void quantities().then(setKnown);
    void lookUp();
    const waiting = takeOver("log");
    if (waiting) void take(waiting);
    else if (place.words.log) void get<LogTold>(`/logs/read/${place.words.log}`).then(setTold, () => look({ log: "" }));
    return () => way.current?.abort();
  }, []);

  const take = (chosen: File) => (setTold(null), taken.take(chosen));
  const lookUp = () => (name ? get<{ files: string[] }>(`${caseUrl(name)}/log`).then((told) => setKept(told.files), () => setKept([])) : undefined);
  const change = (method: "DELETE" | "PUT") => send(method, `${caseUrl(name)}/log`).then(lookUp, (error: Error) => setProblem(error.message));
  const drop = async () => {
    await change("DELETE");
    say("The log was taken out of the case.", () => void change("PUT"));
  };
  const begun = (work: "read" | "keep"): Promise<Job> | null => {
    const offset = more.offset.trim() === "" ? null : Number(more.offset.replace(",", "."));
    if (offset !== null && !Number.isFinite(offset)) return setProblem(`${more.offset} is no offset: seconds.`), null;
    return send<Job>("POST", `/logs/${file!.token}/${work}`, { columns, case: name, offset_s: offset, zero: more.zero || null, bed: more.bed.trim() });
  };
  const keep = async () => {
    const asked = new AbortController();
    way.current = asked;
    try {
      const job = await begun("keep");
      if (!job) return;
      await follow(job, asked.signal, setJob);
      await lookUp();
      say("The log lies with the case now.", () => void drop());
    } catch (error) {
      if (!stopped(error)) setProblem((error as Error).message);
    } finally {
      setJob(null);
    }
  };
  useKeys([{ keys: ["z"], group: "Logs", words: "Take the last change back", act: undoLast }], []);
  const read = async (event?: Event) => {
    event?.preventDefault();
    if (!file) return;
    way.current?.abort();
    const asked = new AbortController();
    way.current = asked;
    setProblem("");
    setTold(null);
    try {
      const job = await begun("read");
      if (!job) return;
      const done = await follow(job, asked.signal, setJob);
      setTold(await get<LogTold>(`/logs/read/${done.name}`));
      look({ log: done.name });
    } catch (error) {
      if (!stopped(error)) setProblem((error as Error).message);
    } finally {
      setJob(null);
    }
  };
  return (
    <>
      <div class="row">
        <h1 class="grow">Event log</h1>
        <span class="row small"><label for="log-case">beside</label>
          <select id="log-case" value={name} onChange={(event) => go({ room: "logs", name: event.currentTarget.value })}>
            <option value="">no case</option>
            {cases.filter((one) => !one.problem).map((one) => <option key={one.name} value={one.name}>{one.title}</option>)}
          </select>
        </span>
        {name && <a class="button" href={`#/alarms/${encodeURIComponent(name)}`}>Replay its alarms</a>}
      </div>
      <p class="quiet">What a log covers, what its alarms come to, and what was going on. Coverage stands before any rate: a log of fixed length overwrites what came before.</p>
      {kept.length > 0 && (
        <p class="row"><span>With the case: <strong>{kept.join(", ")}</strong></span><a class="button" href={`/api${caseUrl(name)}/log/page.pdf`} aria-label="The case's log as PDF">As PDF</a><button onClick={() => void drop()}>Take it out</button></p>
      )}
      <div class="room">
        <form class="stack" onSubmit={(event) => void read(event)} noValidate aria-label="The log">
          <fieldset class="stack">
            <legend>Log</legend>
            {!file && sent === null && <Drop taken={(chosen) => void take(chosen)} kind="log" />}
            {sent !== null && <div class="row"><progress class="grow" value={sent} aria-label="Sending the file" /><button type="button" onClick={taken.stop}>Stop</button></div>}
            {file && (
              <>
                <div class="row"><strong>{file.file}</strong><span class="quiet">{size(file.size)}</span><span class="grow" /><button type="button" onClick={() => (taken.drop(), setTold(null))}>Another log</button></div>
                {file.people.length > 0 && <p class="problem">Columns seem to speak of people: {file.people.map((header) => `“${header}”`).join(", ")}. They are not read, and left out of any copy.</p>}
                {file.problem ? <p class="problem" role="alert">{file.problem} Or choose below what each column holds.</p> : <p>Times and events are understood.</p>}
                <LogColumns file={file} say={(header, said) => void taken.say(header, said)} />
              </>
            )}
          </fieldset>
          {file && (
            <details class="fold" open={Boolean(problem) || undefined}>
              <summary>Clock and bed</summary>
              <div class="fields">
                <div class="field"><label for="log-offset">Seconds to add to the log's clock</label><input id="log-offset" inputMode="decimal" value={more.offset} onInput={(event) => setMore({ ...more, offset: event.currentTarget.value })} /></div>
                <div class="field"><label for="log-zero">What it showed when the recording began</label><input id="log-zero" type="datetime-local" step="1" value={more.zero} onInput={(event) => setMore({ ...more, zero: event.currentTarget.value })} /></div>
                <div class="field"><label for="log-bed">Bed, where the log is of several</label><input id="log-bed" value={more.bed} onInput={(event) => setMore({ ...more, bed: event.currentTarget.value })} /></div>
              </div>
            </details>
          )}
          {file && <button class="main" disabled={Boolean(file.problem) || Boolean(job)}>Read the log</button>}
        </form>
        <div class="stack result">
          <p class="hidden" role="status">{told ? `The log is read: ${told.page.title}.` : ""}</p>
          {problem && <p class="problem" role="alert">{problem}</p>}
          {job && <div class="row" role="status"><span>{capital(job.stage || "beginning")} …</span><progress class="grow" value={job.share} aria-label="Reading the log" /><button type="button" onClick={() => way.current?.abort()}>Stop</button></div>}
          {told && (
            <>
              <div class="row"><h2 class="grow page-title">{told.page.title}</h2><a class="button" href={`/api/logs/read/${place.words.log}/page.pdf`}>As PDF</a>{name && file && <button onClick={() => void keep()} disabled={Boolean(job) || kept.length > 0}>Keep it with the case</button>}</div>
              <CareParts page={told.page} known={known} figures={told.figures} />
            </>
          )}
          {!told && !job && !problem && <p class="sheet">{file ? "Say which case it belongs to, if any, and read it." : "Drag a log in. Without a log, the alarms of a reviewed case can be replayed alone."}</p>}
        </div>
      </div>
    </>
  );
}

function LogColumns({ file, say }: { file: LogUpload; say: (header: string, said: string) => void }) {
  return (
    <div class="scroll" tabIndex={0} role="region" aria-label="Columns of the log">
      <table class="small">
        <thead><tr><th scope="col">column</th><th scope="col">first cells</th><th scope="col">holds</th></tr></thead>
        <tbody>
          {file.columns.map((column) => (
            <tr key={column.header}>
              <th scope="row">{column.header || "(no name)"}</th>
              <td class="quiet">{[...new Set(column.cells.filter(Boolean))].slice(0, 3).join("  ")}</td>
              <td>
                <select aria-label={`What ${column.header} holds`} value={column.role} onChange={(event) => say(column.header, event.currentTarget.value || "ignore")}>
                  <option value="">not read</option>
                  <option value="ignore">leave it out</option>
                  {Object.entries(ROLES).map(([role, words]) => <option key={role} value={role}>{capital(words)}</option>)}
                </select>
                {UNITS[column.role] && (
                  <select aria-label={`Unit of ${column.header}`} value={column.unit} onChange={(event) => say(column.header, event.currentTarget.value ? `${column.role} [${event.currentTarget.value}]` : column.role)}>
                    <option value="">a stamp</option>
                    {UNITS[column.role]!.map((unit) => <option key={unit}>{unit}</option>)}
                  </select>
                )}
              </td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}
