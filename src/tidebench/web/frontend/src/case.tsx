import { useEffect, useRef, useState } from "preact/hooks";

import { caseUrl, get, Refused, send, type Entry, type Job, type Quantity, type Review } from "./api";
import { CaseLinks } from "./links";
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
  useEffect(() => {
    void open();
    return () => {
      gone.current = true;
    };
  }, []);

  if (review) return <ReviewRoom name={name} review={review} known={known} again={begin} />;
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
      {entry && !entry.problem && <CaseLinks name={name} recorded={entry.recording} />}
      {!job && entry && !entry.problem && (
        <div class="sheet stack">
          <p>{!entry.recording ? "This case has no recording yet: there is nothing to review." : entry.reviewed === "outdated" ? "The case says something else since its review." : "This case was not reviewed yet."}</p>
          {entry.recording && <button class="main" onClick={() => void begin()}>Review it</button>}
        </div>
      )}
      {entry && !entry.problem && !entry.recording && <Pictured name={name} />}
      {!job && !entry && !problem && <p class="quiet">Opening …</p>}
    </div>
  );
}
