// A learner in a class: comes by the link, with a name or without, and follows in a browser of their own.
import "./lessons.css";

import { useMemo, useState } from "preact/hooks";

import { By, joinClass } from "./lessonapi";
import { keeper } from "./lessonkept";
import { Way } from "./lessonway";

export function ClassRoom({ link }: { link: string }) {
  const [token, setToken] = useState(keeper.read("joined", link) ?? "");
  const [lost, setLost] = useState("");
  const by = useMemo(() => (token ? new By("learner", token) : null), [token]);
  const leave = () => {
    keeper.keep("joined", link, null);
    setLost("");
    setToken("");
  };
  if (!link) return <div class="narrow stack"><h1>Class</h1><p>A class has a link, which its teacher projects: open it as it is.</p></div>;
  if (!by) return <Join link={link} joined={(learner) => (keeper.keep("joined", link, learner), setToken(learner))} />;
  return (
    <div class="lesson">
      {lost ? <p class="problem row" role="alert"><span class="grow">{lost}</span><button onClick={() => window.location.reload()}>Try again</button><button onClick={leave}>Join anew</button></p> : <Way by={by} again={() => undefined} lost={setLost} />}
      <p class="small quiet row" style={{ marginTop: "2rem" }}><span class="grow" style={{ flexBasis: "16rem" }}>You are in a class. Your answers are kept; the others see how many answered so, and a run at a patient by its seat, without names.</span><button class="plain small" onClick={leave}>Somebody else uses this browser</button></p>
    </div>
  );
}

function Join({ link, joined }: { link: string; joined: (token: string) => void }) {
  const [name, setName] = useState("");
  const [problem, setProblem] = useState("");
  const [busy, setBusy] = useState(false);
  const join = async (event: Event) => {
    event.preventDefault();
    setBusy(true);
    try {
      joined((await joinClass(link, name)).learner);
    } catch (error) {
      setProblem((error as Error).message);
      setBusy(false);
    }
  };
  return (
    <form class="sheet stack join" onSubmit={(event) => void join(event)}>
      <h1>Join the class</h1>
      <label for="name">Your name <span class="quiet">(may stay empty; the teacher sees who is where and can show a run at a patient by its seat, without a name)</span></label>
      <div class="row"><input id="name" class="grow" maxLength={80} value={name} autocomplete="off" onInput={(event) => setName(event.currentTarget.value)} /><button class="main" disabled={busy}>Join</button></div>
      {problem && <p class="problem" role="alert">{problem}</p>}
    </form>
  );
}
