import { useEffect, useState } from "preact/hooks";

import { get, type About, type Source } from "./api";
import { say } from "./notices";

/** What this is, what it is not for, and what is inside. */
export function AboutRoom({ about }: { about: About }) {
  const [sources, setSources] = useState<Source[]>([]);
  useEffect(() => void get<Source[]>("/sources").then(setSources, (error: Error) => say(error.message)), []);
  return (
    <div class="narrow stack">
      <h1>About Tidebench</h1>
      <p>Version {about.version}. It runs on this machine, and asks nothing of any other.</p>
      <section class="sheet stack">
        <h2>Cautions</h2>
        <p>{about.caution}</p>
        <p>{about.decide}</p>
        <p>
          Numbers come from the same library as on the command line; each can be asked for its definition and source.
          Case files hold no names. Don't type any, and check files before you drag them in.
        </p>
      </section>
      <section class="sheet stack">
        <h2>Sources</h2>
        <p>After whom quantities are defined, limits are set and findings are told. “From memory” was not looked up again; “this house's” is a rule of this program.</p>
        <details>
          <summary>All {sources.length} of them</summary>
          <table>
            <thead><tr><th scope="col">source</th><th scope="col">what rests on it</th></tr></thead>
            <tbody>{sources.map((one) => <tr key={one.source}><th scope="row">{one.source}</th><td class="small">{one.of.join(", ")}</td></tr>)}</tbody>
          </table>
        </details>
      </section>
      <section class="sheet stack">
        <h2>What is inside</h2>
        <p><a href="/licences.txt">The licences of what the page carries, in full</a>.</p>
        <table>
          <thead><tr><th scope="col">library or font</th><th scope="col">licence</th></tr></thead>
          <tbody>
            <tr><td>Tidebench</td><td>Apache-2.0</td></tr>
            {about.inside.map((one) => <tr key={one.name}><td>{one.name}</td><td>{one.licence}</td></tr>)}
          </tbody>
        </table>
      </section>
    </div>
  );
}
