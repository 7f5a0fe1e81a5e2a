import { useState } from "preact/hooks";

import { send } from "./api";

/** The password, where the workbench serves more than one machine. */
export function Lock({ begun }: { begun: () => void }) {
  const [problem, setProblem] = useState("");
  const [password, setPassword] = useState("");
  const submit = async (event: Event) => {
    event.preventDefault();
    try {
      await send("POST", "/session", { password });
      begun();
    } catch (error) {
      setProblem(error instanceof Error ? error.message : String(error));
    }
  };
  return (
    <main class="narrow">
      <form class="sheet stack" onSubmit={submit} style={{ maxWidth: "26rem", marginInline: "auto", marginTop: "12vh" }}>
        <h1>Tidebench</h1>
        <label for="password">Password of this workbench</label>
        <div class="row">
          <input id="password" class="grow" type="password" autocomplete="current-password" required value={password}
            onInput={(event) => setPassword(event.currentTarget.value)} aria-describedby={problem ? "refused" : undefined} />
          <button class="main">Open</button>
        </div>
        {problem && <p id="refused" class="problem" role="alert">{problem}</p>}
      </form>
    </main>
  );
}
