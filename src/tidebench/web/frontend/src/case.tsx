import { useLayoutEffect, useRef, useState } from "preact/hooks";

import { caseUrl, get, Refused, send, type Entry, type Job, type Quantity, type Review } from "./api";
import { RecordedColumns } from "./casecolumns";
import { useKeys } from "./keys";
import { CaseLinks } from "./links";
import { say, undoLast } from "./notices";
import { here, look } from "./place";
import { Pictured } from "./pictured";
import { quantities } from "./quantities";
import { ReviewRoom } from "./review";
import { capital } from "./words";

const ASK_MS = 400;

/** One case: its review, or the way to it. */
export function CaseRoom({ name }: { name: string }) {
  const [review, setReview] = useState<Review | null>(null);
  const [known, setKnown] = useState<Record<string, Quantity>>({});
  const [entry, setEntry] = useState<Entry | null>(null);
  const [problem, setProblem] = useState("");
  const [job, setJob] = useState<Job | null>(null);
  const [out, setOut] = useState(false);
  const [naming, setNaming] = useState(false);
  const gone = useRef(false);

  const open = async () => {
    try {
      const [told, all] = await Promise.all([get<Review>(`${caseUrl(name)}/review`), quantities()]);
      if (gone.current) return;
      setKnown(all);
      setReview(told);
      setProblem("");
    } catch (error) {
      const cases = await get<Entry[]>("/cases").catch(() => []);
      const found = cases.find((one) => one.name === name) ?? null;
      setEntry(found);
      if (!found || !(error instanceof Refused) || error.status === 0) setProblem((error as Error).message);
      else if (found.problem) setProblem(found.problem);
      else if (here().words.begin && found.recording) void begin();
      else if (found.recording) {
        const going = await get<Job | null>(`${caseUrl(name)}/review/job`).catch(() => null); // a page that was loaded anew
        if (going) void follow(going);
      }
    }
  };
  const begin = async () => {
    look({ begin: "" });
    setProblem("");
    setReview(null);
    try {
      await follow(await send<Job>("POST", `${caseUrl(name)}/review`));
    } catch (error) {
      setJob(null);
      setProblem((error as Error).message);
    }
  };
  const follow = async (now: Job) => {
    while (!gone.current) {
      setJob(now);
      if (now.state === "done") return setJob(null), open();
      if (now.state === "refused") return setJob(null), setProblem(now.problem);
      if (now.state === "cancelled") return setJob(null), setProblem("The review was stopped; nothing was written.");
      await new Promise((wait) => setTimeout(wait, ASK_MS));
      now = await get<Job>(`/jobs/${now.name}`);
    }
  };
  const takeOut = async () => {
    try {
      await send("DELETE", caseUrl(name));
      setOut(true);
      say(`${entry?.title ?? name} was taken out of the casebook.`, () => void putBack());
    } catch (error) {
      setProblem((error as Error).message);
    }
  };
  const putBack = async () => {
    try {
      await send("PUT", caseUrl(name));
      setOut(false);
    } catch (error) {
      say((error as Error).message);
    }
  };
  useKeys(review ? [] : [{ keys: ["z"], group: "Case", words: "Take the last change back", act: undoLast }], [review]);
  useLayoutEffect(() => { // asked for before the first frame: a reader waits for it
    void open();
    return () => {
      gone.current = true;
    };
  }, []);

  if (out) {
    return (
      <div class="narrow stack">
        <h1>{entry?.title ?? name}</h1>
        <div class="sheet stack">
          <p>This case was taken out of the casebook. It waits aside for two hours; then it is deleted.</p>
          <div class="row"><button onClick={() => void putBack()}>Put it back</button><a class="button" href="#/">To the casebook</a></div>
        </div>
      </div>
    );
  }
  const leave = (
    <details class="fold">
      <summary>Take this case out of the casebook</summary>
      <p class="small">All that lies in its folder goes with it: recording, review, marks. It can be put back for two hours.</p>
      <button onClick={() => void takeOut()}>Take it out</button>
    </details>
  );
  if (review) {
    return (
      <>
        <ReviewRoom name={name} review={review} known={known} again={begin} />
        <Pictured name={name} />
        <details class="fold" onToggle={(event) => setNaming(event.currentTarget.open)}>
          <summary>A column was understood wrongly</summary>
          {naming && <RecordedColumns name={name} again={() => void begin()} />}
        </details>
        {leave}
      </>
    );
  }
  return (
    <div class="narrow stack">
      <h1>{entry?.title ?? name}</h1>
      {problem && <p class="problem" role="alert">{problem}</p>}
      {job && (
        <div class="sheet stack" role="status">
          <p>{job.state === "waiting" ? "Other work comes first; this waits." : `${capital(job.stage || "beginning")} …`}</p>
          <progress value={job.share} aria-label="Review" />
          <button onClick={() => void send("DELETE", `/jobs/${job.name}`)}>Stop</button>
        </div>
      )}
      {problem && !job && entry?.recording && !entry.problem && <RecordedColumns name={name} again={() => void begin()} />}
      {entry && !entry.problem && <CaseLinks name={name} recorded={entry.recording} />}
      {!job && entry && !entry.problem && (
        <div class="sheet stack">
          <p>{!entry.recording ? "This case has no recording yet: there is nothing to review." : entry.reviewed === "outdated" ? "The case says something else since its review." : "This case was not reviewed yet."}</p>
          {entry.recording && <button class="main" onClick={() => void begin()}>Review it</button>}
        </div>
      )}
      {entry && !entry.problem && <Pictured name={name} />}
      {!job && entry && leave}
      {!job && !entry && !problem && <p class="quiet">Opening …</p>}
    </div>
  );
}
