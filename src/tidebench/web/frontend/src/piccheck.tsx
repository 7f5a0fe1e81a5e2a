// What the traced panels say of each other, numbers noted beside measured ones, and what a hand mended.
import type { Field, Quantity } from "./api";
import type { Traced, Tool } from "./picstage";
import type { Doc } from "./picstate";
import { capital } from "./words";

const STATES: Record<string, string> = { agrees: "✓ agrees", differs: "≠ differs", "not told": "– not told" };

interface Props {
  traced: Traced | null;
  doc: Doc;
  change: (doc: Doc) => void;
  tool: Tool;
  take: (tool: Tool) => void;
  shown: boolean;
  show: (shown: boolean) => void;
  names: (id: number) => string;
}

export function Check({ traced, doc, change, tool, take, shown, show, names }: Props) {
  const scale = (mend: Doc["mend"]) => change({ ...doc, mend });
  return (
    <div class="stack">
      <div class="row" role="group" aria-label="Tools">
        <button aria-pressed={tool === "move"} onClick={() => take("move")}>Move edges and marks <kbd>v</kbd></button>
        <button aria-pressed={tool === "erase"} onClick={() => take("erase")}>Erase <kbd>e</kbd></button>
        <button aria-pressed={tool === "draw"} onClick={() => take("draw")}>Redraw <kbd>r</kbd></button>
        <label class="row small"><input type="checkbox" checked={shown} onChange={(event) => show(event.currentTarget.checked)} /> Show the curves <kbd>o</kbd></label>
      </div>
      {tool === "erase" && <p class="small quiet">Drag over what is no curve. By keyboard: arrows move, Space begins, Enter erases up to here, Escape ends.</p>}
      {tool === "draw" && <p class="small quiet">Draw along the curve. By keyboard: arrows move, Space puts a point, Enter ends the line, Escape gives it up. What a hand drew counts as known to a pixel and a half.</p>}
      {traced && (
        <>
          <p class="legend"><span><svg width="26" height="12" aria-hidden="true"><rect width="26" height="12" fill="#e69f00" fill-opacity="0.55" /><line x1="0" x2="26" y1="6" y2="6" stroke="#c24e00" stroke-width="2" /></svg>traced, and where it lies nine times in ten</span><span>▼ expiration begins</span></p>
          {traced.recording && <p><strong>{traced.recording}</strong></p>}
          <ul class="small">{traced.curves.map((curve) => <li key={curve.label}>{capital(curve.label)}: {curve.words}</li>)}{traced.loops.map((loop) => <li key={loop.label}>{capital(loop.label)}: {loop.words}</li>)}</ul>
          {traced.held.length > 0 && (
            <section aria-labelledby="held">
              <h2 id="held">What the panels say of each other</h2>
              <ul class="held">
                {traced.held.map((one) => <li key={one.what}><div class="row"><strong class="grow">{one.what}</strong><span class={`said-state ${one.state === "differs" ? "sure" : ""}`}>{STATES[one.state]}</span></div><p class="small">{one.words}</p></li>)}
              </ul>
              {(traced.mendable || doc.mend) && (
                <div class="row small">
                  <span style={{ flexBasis: "100%" }}>{doc.mend ? `The calibration of ${doc.mend} was scaled to the other, as you asked.` : "Nothing is corrected unless you ask:"}</span>
                  {doc.mend ? <button onClick={() => scale("")}>Take that back</button> : <><button onClick={() => scale("flow")}>Scale flow to volume</button><button onClick={() => scale("volume")}>Scale volume to flow</button></>}
                </div>
              )}
            </section>
          )}
          {traced.beside.length > 0 && (
            <section aria-labelledby="beside">
              <h2 id="beside">Noted from the picture, and measured on it</h2>
              <table class="small">
                <thead><tr><th scope="col">quantity</th><th scope="col" class="num">noted</th><th scope="col" class="num">measured</th><th scope="col"><span class="hidden">how they agree</span></th></tr></thead>
                <tbody>
                  {traced.beside.map((row) => (
                    <>
                      <tr key={row.key}><th scope="row">{capital(row.label)}</th><td class="num">{row.noted || "–"}</td><td class="num">{row.measured}</td><td>{row.noted ? STATES[row.state] : ""}</td></tr>
                      {row.why.length > 0 && <tr key={`${row.key}-why`}><td colSpan={4} class="quiet">{row.why.join(" ")}</td></tr>}
                    </>
                  ))}
                </tbody>
              </table>
            </section>
          )}
          {traced.warnings.map((words) => <p key={words} class="small">{words}</p>)}
        </>
      )}
      {doc.corrections.length > 0 && (
        <section aria-labelledby="mended">
          <h2 id="mended">Mended by hand</h2>
          <ul class="held">
            {doc.corrections.map((one, i) => {
              const columns = one.points.map(([x]) => x);
              return <li key={i} class="row small"><span class="grow">{one.kind === "erase" ? "Erased" : "Redrawn"} in {names(one.panel)}, columns {Math.min(...columns)} to {Math.max(...columns)}</span><button onClick={() => change({ ...doc, corrections: doc.corrections.filter((_, k) => k !== i) })} aria-label={`Take correction ${i + 1} out`}>Take it out</button></li>;
            })}
          </ul>
        </section>
      )}
    </div>
  );
}

interface NotedProps {
  fields: Field[];
  values: Record<string, string>;
  slips: { field: string; problem: string }[];
  known: Record<string, Quantity>;
  put: (key: string, text: string) => void;
}

/** Numbers on the picture, typed in: kept beside the measured ones, never mixed with them. */
export function Noted({ fields, values, slips, known, put }: NotedProps) {
  return (
    <div class="fields numbers-noted">
      {fields.map((field) => {
        const id = `noted-${field.key}`;
        const slip = slips.find((one) => one.field === field.key)?.problem;
        return (
          <div class="field" key={field.key}>
            <label for={id} title={known[field.key]?.definition}>{capital(field.label)}</label>
            <span class="with-unit"><input id={id} inputMode="decimal" value={values[field.key] ?? ""} title={field.possible} maxLength={40} autoComplete="off" aria-invalid={Boolean(slip)} aria-describedby={slip ? `${id}-slip` : undefined} onInput={(event) => put(field.key, event.currentTarget.value)} />{field.unit && <span class="quiet small">{field.unit}</span>}</span>
            {slip && <p class="slip" id={`${id}-slip`}>{slip}</p>}
          </div>
        );
      })}
    </div>
  );
}
