import { useEffect, useRef, useState } from "preact/hooks";

import { get, type Entry } from "./api";
import { useKeys } from "./keys";
import { endingsOfLogs, endingsOfPictures, handOver, handPictures, picturesIn } from "./handed";
import { say } from "./notices";
import { go } from "./place";
import { day } from "./words";

const STATES: Record<Entry["reviewed"], string> = { yes: "reviewed", no: "not reviewed yet", outdated: "changed since its review" };

/** The cases in the folder. */
export function Casebook() {
  const [cases, setCases] = useState<Entry[] | null>(null);
  const [problem, setProblem] = useState("");
  const [search, setSearch] = useState("");
  const field = useRef<HTMLInputElement>(null);
  useEffect(() => {
    get<Entry[]>("/cases").then(setCases, (error: Error) => setProblem(error.message));
  }, []);
  useKeys(
    [
      { keys: ["/"], group: "Casebook", words: "Search", act: () => field.current?.focus() },
      { keys: ["n"], group: "Casebook", words: "New case", act: () => go({ room: "new" }) },
    ],
    [],
  );
  const words = search.toLowerCase().split(/\s+/).filter(Boolean);
  const found = (cases ?? []).filter((entry) => words.every((word) => `${entry.title} ${entry.name}`.toLowerCase().includes(word)));
  return (
    <div class="narrow stack">
      <div class="row">
        <h1 class="grow">Casebook</h1>
        <label class="hidden" for="search">Search cases</label>
        <input id="search" ref={field} type="search" placeholder="Search cases  /" value={search} onInput={(event) => setSearch(event.currentTarget.value)} />
        <a class="button" href="#/new">New case</a>
      </div>
      <Drop taken={(file) => (file.name.toLowerCase().endsWith(".log") ? (handOver(file, "log"), go({ room: "logs" })) : (handOver(file), go({ room: "new" })))} />
      {problem && <p class="problem" role="alert">{problem}</p>}
      {cases && !found.length && (
        <p class="sheet">{cases.length ? "No case has these words in its title." : "There is no case in this folder yet. Drag a recording in, or begin a new case."}</p>
      )}
      <ul class="cases">
        {found.map((entry) => (
          <li key={entry.name}>
            <a class="case" href={`#/case/${encodeURIComponent(entry.name)}`}>
              <span class="title">{entry.title}</span>
              <span class="state">{entry.problem ? "can't be read" : entry.recording ? STATES[entry.reviewed] : "no recording"}</span>
              <span class="quiet small">{entry.name} · {day(entry.changed)}</span>
              {entry.problem && <span class="slip" style={{ gridColumn: "1 / -1" }}>{entry.problem}</span>}
            </a>
          </li>
        ))}
      </ul>
    </div>
  );
}

const WORDS = {
  recording: ["a recording or pictures", `.csv,.txt,.tsv,.dat,.asc,.parquet,.pq,.log,${endingsOfPictures}`, "Signals as CSV, text or Parquet, with airway pressure and flow; an event log; or pictures of waveforms. They stay on this machine."],
  log: ["an event log", endingsOfLogs, "Text with a header line and a row for each event. It stays on this machine."],
} as const;

/** A place to drag a file to, or to choose one by keyboard. */
export function Drop({ taken, kind = "recording" }: { taken: (file: File) => void; kind?: keyof typeof WORDS }) {
  const [over, setOver] = useState(false);
  const [what, endings, more] = WORDS[kind];
  const choose = (files: FileList | null | undefined) => {
    const pictures = kind === "recording" ? picturesIn(files) : [];
    if (pictures.length) return handPictures(pictures), go({ room: "pictures" });
    if (files && files.length > 1) say("One file at a time: the first one was taken.");
    if (files?.[0]) taken(files[0]);
  };
  return (
    <div
      class={over ? "drop over" : "drop"}
      onDragOver={(event) => (event.preventDefault(), setOver(true))}
      onDragLeave={() => setOver(false)}
      onDrop={(event) => {
        event.preventDefault();
        setOver(false);
        choose(event.dataTransfer?.files);
      }}
    >
      <label for={kind}>Drag {what} here, or choose one: </label>
      <input id={kind} type="file" multiple={kind === "recording"} accept={endings} onChange={(event) => choose(event.currentTarget.files)} />
      <p class="small quiet">{more}</p>
    </div>
  );
}
