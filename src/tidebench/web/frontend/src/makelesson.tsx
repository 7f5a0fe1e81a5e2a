// "Make a lesson of this": of a case with what its reviewer confirmed, or of a rehearsed change of settings.
import { useEffect, useId, useRef, useState } from "preact/hooks";

import { caseUrl, get, send, stopped, type Job } from "./api";
import { follow } from "./jobs";
import type { components } from "./schema";

type Made = components["schemas"]["LessonMadeTold"];

interface Change {
  from_s?: number;
  to_s?: number;
  settings: { [key: string]: number };
}

export function MakeLesson({ name, change }: { name: string; change?: Change }) {
  const [title, setTitle] = useState("");
  const [stage, setStage] = useState("");
  const [made, setMade] = useState<Made | null>(null);
  const [problem, setProblem] = useState("");
  const way = useRef<AbortController | null>(null);
  const field = useId();
  useEffect(() => () => way.current?.abort(), []);
  const make = async (event: Event) => {
    event.preventDefault();
    const asked = (way.current = new AbortController());
    setMade(null);
    setProblem("");
    setStage("beginning");
    try {
      const path = change ? `${caseUrl(name)}/whatif/lesson` : `${caseUrl(name)}/lesson`;
      const job = await follow(await send<Job>("POST", path, { title, ...change }), asked.signal, (now) => setStage(now.stage || "waiting"));
      setMade(await get<Made>(`${caseUrl(name)}/lesson/${job.name}`));
    } catch (error) {
      if (!stopped(error)) setProblem((error as Error).message);
    } finally {
      setStage("");
    }
  };
  return (
    <form class="stack" onSubmit={(event) => void make(event)}>
      <p class="small">{change
        ? "The fitted patient, varied and without anything that tells who it was, and the question what this change does to it."
        : "A stretch of the curves with its clock set to 0, findings that were confirmed, and what followed changes of settings. Dates, patient, notes and names stay here; a rare course may still be recognised, so look at it before you hand it on."}</p>
      <div class="row">
        <label for={field}>Title</label>
        <input id={field} class="grow" maxLength={120} value={title} placeholder="one that tells nobody who it was" onInput={(event) => setTitle(event.currentTarget.value)} />
        <button disabled={stage !== ""}>{stage ? `Making: ${stage} …` : "Make a lesson of this"}</button>
      </div>
      {problem && <p class="problem" role="alert">{problem}</p>}
      {made && <div class="well-said" role="status"><p>It stands among the lessons: <a href={`#/lessons/${encodeURIComponent(made.name)}`}>look at it</a>. It asks:</p><ul>{made.asks.map((line) => <li key={line}>{line}</li>)}</ul></div>}
    </form>
  );
}
