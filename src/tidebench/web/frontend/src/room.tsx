// A room with a form: what is typed, or an open case, and at once the page that the library makes of it.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";

import { fetchFile, get, send, stopped, type Entry, type Form, type Quantity, type RoomTold } from "./api";
import { CareParts } from "./care";
import { FormFields, type Answers } from "./form";
import { useKeys } from "./keys";
import { say, undoLast } from "./notices";
import { go, look, usePlace, type RoomName } from "./place";
import { quantities } from "./quantities";
import { keepView } from "./save";
import { capital } from "./words";

const TITLES: Record<RoomName, string> = { prepare: "Prepare a patient", gases: "Blood gases", wean: "Weaning", handover: "Handover" };
const LEADS: Record<RoomName, string> = {
  prepare: "A set-up sheet before anything is connected: weight for volumes, tube or mask, start, alarms, dead space, checks, oxygen, transport.",
  gases: "Acid and base, oxygen, ventilation, published definitions, trend, and the ventilation for a PaCO2.",
  wean: "Published criteria beside what is known: readiness, the breathing trial, effort, cuff leak, how long it took.",
  handover: "One page for the next shift or the next visit: situation, background, assessment, what is proposed and who decides.",
};
const EMPTIED = " "; // stands in the address for what an open case says and somebody took out

const draft = (room: RoomName) => `tidebench-room-${room}`;

export function toWords(answers: Answers, given: Answers): Record<string, string> {
  const words: Record<string, string> = {};
  for (const [table, keys] of Object.entries(answers)) {
    for (const [key, text] of Object.entries(keys)) {
      const before = given[table]?.[key] ?? "";
      if (text.trim() !== before) words[`${table}.${key}`] = text.trim() === "" ? EMPTIED : text;
    }
  }
  return words;
}

export function fromWords(words: Record<string, string>, given: Answers): Answers {
  const answers: Answers = Object.fromEntries(Object.entries(given).map(([table, keys]) => [table, { ...keys }]));
  for (const [place, text] of Object.entries(words)) {
    const dot = place.indexOf(".");
    if (dot < 0) continue;
    (answers[place.slice(0, dot)] ??= {})[place.slice(dot + 1)] = text;
  }
  return answers;
}

export function Room({ room, name }: { room: RoomName; name: string }) {
  const place = usePlace();
  const [form, setForm] = useState<Form | null>(null);
  const [cases, setCases] = useState<Entry[]>([]);
  const [known, setKnown] = useState<Record<string, Quantity>>({});
  const [answers, setAnswers] = useState<Answers>({});
  const [told, setTold] = useState<RoomTold | null>(null);
  const [problem, setProblem] = useState("");
  const way = useRef<AbortController | null>(null);
  const latest = useRef<Answers>({});
  const written = useRef("");
  const top = useRef<HTMLFormElement>(null);
  const result = useRef<HTMLDivElement>(null);
  latest.current = answers;
  const given = form?.answers ?? {};
  const typed = useMemo(() => Object.values(answers).some((keys) => Object.values(keys).some((text) => text.trim() !== "")), [answers]);

  useEffect(() => {
    void get<Entry[]>("/cases").then(setCases, () => setCases([]));
    void quantities().then(setKnown);
    get<Form>(`/rooms/${room}?case=${encodeURIComponent(name)}`).then(begin, (error: Error) => setProblem(error.message));
    return () => way.current?.abort();
  }, []);

  useEffect(() => {
    // the address was changed from elsewhere: back, or a link to another view of this room
    if (form && Object.keys(place.words).length && JSON.stringify(place.words) !== written.current) begin(form);
  }, [place]);

  const begin = (found: Form) => {
    const words = Object.keys(place.words).length || name ? place.words : kept(room);
    const first = fromWords(words, found.answers);
    setForm(found);
    setAnswers(first);
    void work(first, found);
  };

  const work = async (now: Answers, found = form) => {
    way.current?.abort();
    const words = toWords(now, found?.answers ?? {});
    written.current = JSON.stringify(words);
    look(words, false, true);
    if (!name) sessionStorage.setItem(draft(room), JSON.stringify(words));
    const empty = !name && !Object.keys(words).length;
    if (empty) return setTold(null), setProblem("");
    const asked = new AbortController();
    way.current = asked;
    try {
      const answer = await send<RoomTold>("POST", `/rooms/${room}`, { case: name, answers: now }, asked.signal);
      setTold(answer);
      setProblem("");
    } catch (error) {
      if (stopped(error)) return;
      setTold(null);
      setProblem((error as Error).message);
    }
  };
  const put = (table: string, key: string, text: string, whole: boolean) => {
    const next = { ...latest.current, [table]: { ...latest.current[table], [key]: text } };
    latest.current = next;
    setAnswers(next);
    if (whole) void work(next);
  };
  const set = (next: Answers) => {
    const before = latest.current;
    setAnswers(next);
    void work(next);
    if (Object.keys(next).length < Object.keys(before).length) say("It was taken out.", () => set(before));
  };
  const clear = () => {
    const before = latest.current;
    setAnswers(given);
    void work(given);
    say(name ? "The form is as the case has it." : "The form is empty.", () => set(before));
  };
  const save = async (kind: "pdf" | "txt") => {
    try {
      await fetchFile(`/rooms/${room}/page.${kind}`, { case: name, answers: latest.current }, `${name || room}${name ? `-${room}` : ""}.${kind}`);
    } catch (error) {
      setProblem((error as Error).message);
    }
  };
  useKeys(
    [
      { keys: ["f"], group: TITLES[room], words: "To the first field", act: () => top.current?.querySelector<HTMLElement>("fieldset input, fieldset select")?.focus() },
      { keys: ["d"], group: TITLES[room], words: "The page as PDF", act: () => told?.page && void save("pdf") },
      { keys: ["x"], group: TITLES[room], words: "Empty the form", act: clear },
      { keys: ["z"], group: TITLES[room], words: "Take the last change back", act: undoLast },
    ],
    [told, form],
  );

  const slips = told?.slips ?? [];
  const fields = new Set(form?.sections.flatMap((section) => section.fields.map((field) => `${field.table}.${field.key}`)) ?? []);
  const loose = slips.filter((slip) => !fields.has(`${slip.table.replace(/ \d+$/, "")}.${slip.key}`));
  const placed = slips.length - loose.length;
  const choose = (chosen: string) => go({ room, name: chosen });
  return (
    <>
      <div class="row">
        <h1 class="grow">{TITLES[room]}</h1>
        <span class="row small"><label for="of-case">of</label>
          <select id="of-case" value={name} onChange={(event) => choose(event.currentTarget.value)}>
            <option value="">what is typed here</option>
            {cases.filter((one) => !one.problem).map((one) => <option key={one.name} value={one.name}>{one.title}</option>)}
            {name && !cases.some((one) => one.name === name) && <option value={name}>{name}</option>}
          </select>
        </span>
        {name && <a class="button" href={`#/case/${encodeURIComponent(name)}`}>Open the case</a>}
      </div>
      <p class="quiet">{LEADS[room]} {form?.about}</p>
      <div class="room">
        <form ref={top} class="stack" noValidate onSubmit={(event) => (event.preventDefault(), void work(latest.current))} aria-label="What is known">
          {form && <FormFields sections={form.sections} answers={answers} slips={slips} put={put} commit={() => void work(latest.current)} set={set} />}
          <div class="row bar">
            <button class="main">Work it out</button>
            <button type="button" class="to-page" onClick={() => result.current?.scrollIntoView()}>To the page</button>
            <button type="button" onClick={clear}>{name ? "As the case has it" : "Empty the form"} <kbd>x</kbd></button>
          </div>
        </form>
        <div ref={result} class="stack result">
          <p class="hidden" role="status">{told?.page ? `The page is worked out: ${told.page.title}.` : ""}</p>
          {problem && <p class="problem" role="alert">{problem}</p>}
          {slips.length > 0 && (
            <div class="problem" role="alert">
              {loose.map((slip) => <p key={slip.problem}>{capital(slip.problem)}</p>)}
              {placed > 0 && <p>{placed === 1 ? "One answer" : `${placed} answers`} can't be used yet; the reason stands beside {placed === 1 ? "it" : "each"}.</p>}
            </div>
          )}
          {told?.doubts.map((doubt) => <p class="problem" key={doubt}>{doubt}</p>)}
          {told?.page && (
            <>
              <div class="row">
                <h2 class="grow page-title">{told.page.title}</h2>
                <button onClick={() => void save("pdf")}>As PDF <kbd>d</kbd></button>
                {told.text && <button onClick={() => void save("txt")}>As text</button>}
                <button onClick={() => void keepView()}>Keep this view</button>
              </div>
              {told.page.lead.map((line) => <p key={line}>{line}</p>)}
              <CareParts page={told.page} known={known} />
            </>
          )}
          {form && !typed && !told && !problem && <p class="sheet">{form.needs}</p>}
        </div>
      </div>
    </>
  );
}

function kept(room: RoomName): Record<string, string> {
  try {
    return JSON.parse(sessionStorage.getItem(draft(room)) ?? "{}") as Record<string, string>;
  } catch {
    return {};
  }
}

