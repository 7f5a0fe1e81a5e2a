// Long work that is followed until it is over; whoever stops asking gives it up.
import { get, send, type Job } from "./api";

const ASK_MS = 250;

/** The job once it is over; given up, with an AbortError, where the signal says so. */
export async function follow(job: Job, signal: AbortSignal, tell: (now: Job) => void = () => undefined): Promise<Job> {
  let now = job;
  while (["waiting", "running"].includes(now.state)) {
    if (signal.aborted) {
      void send("DELETE", `/jobs/${now.name}`);
      throw new DOMException("stopped", "AbortError");
    }
    tell(now);
    await new Promise((wait) => setTimeout(wait, ASK_MS));
    now = await get<Job>(`/jobs/${now.name}`);
  }
  if (now.state !== "done") throw new Error(now.problem || "The work was stopped.");
  return now;
}
