import type { Breath } from "./api";
import { caseUrl } from "./api";
import { MakeLesson } from "./makelesson";
import { say } from "./notices";
import type { Stretch } from "./stretch";
import { clock } from "./words";

/** The address of what is looked at, on the clipboard. */
export async function keepView(shows = "just this"): Promise<void> {
  try {
    await navigator.clipboard.writeText(window.location.href);
    say(`The link is on the clipboard. It shows ${shows} again.`);
  } catch {
    say("The browser keeps the clipboard to itself: copy the address instead.");
  }
}

/** What can be saved: the report, tables, pictures, and this view as a link. */
export function Save({ name, stretch, breath }: { name: string; stretch: Stretch; breath: Breath | null }) {
  const base = `/api${caseUrl(name)}/export`;
  const part = `from=${stretch.from.toFixed(3)}&to=${stretch.to.toFixed(3)}`;
  const files = (what: string, path: string, kinds: string[], query = "") => (
    <tr key={what}><th scope="row">{what}</th><td>{kinds.map((kind) => <a key={kind} class="button" style={{ marginRight: "0.4rem" }} href={`${base}/${path}.${kind}${query && `?${query}`}`} download aria-label={`${what} as ${kind}`}>{kind === "parquet" ? "Parquet" : kind.toUpperCase()}</a>)}</td></tr>
  );
  const span = `${clock(stretch.from)} to ${clock(stretch.to)}`;
  return (
    <>
      <h2>Save</h2>
      <div class="row">
        <a class="button" href={`${base}/report.pdf`} target="_blank" rel="noopener">Report as PDF</a>
        <button onClick={() => void keepView("just this stretch, breath and finding")}>Keep this view</button>
      </div>
      <p class="small quiet">A view is its address: it can be kept among the bookmarks or sent to whoever reaches this workbench.</p>
      <table>
        <caption class="hidden">Files</caption>
        <tbody>
          {files("Breaths", "tables/breaths", ["csv", "parquet"])}
          {files("Efforts", "tables/efforts", ["csv", "parquet"])}
          {files("Findings", "tables/findings", ["csv", "parquet"])}
          {files(`Signals, ${span}`, "signals", ["csv", "parquet"], part)}
          {files("Whole record, drawn", "trend", ["png", "svg"])}
          {files(`Signals, drawn, ${span}`, "stretch", ["png", "svg"], part)}
          {breath?.account && files(`Account of breath ${breath.breath}`, `breaths/${breath.breath}/account`, ["png", "svg"])}
          {breath?.account && files(`Loops of breath ${breath.breath}`, `breaths/${breath.breath}/loops`, ["png", "svg"])}
        </tbody>
      </table>
      <h3>Teach from it</h3>
      <MakeLesson name={name} />
    </>
  );
}
