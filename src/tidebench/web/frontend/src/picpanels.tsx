// What is said of each panel: quantity, unit, two marks of each axis, its clock; proposed until somebody confirms it.
import type { components } from "./schema";
import { changed, clockOf, emptyClock, removed, withClock, withMark, type Clock, type Doc, type Kind, type Mark, type Marks, type Panel } from "./picstate";
import { capital } from "./words";

type Schemas = components["schemas"];
export type PictureForm = Schemas["PictureFormTold"];
export type PanelSlip = Schemas["PanelSlipTold"];

const KINDS: [Kind, string][] = [["curve", "a curve over seconds"], ["loop", "a loop of one quantity over another"], ["trend", "a trend over hours"]];

interface Props {
  doc: Doc;
  chosen: number;
  choose: (id: number) => void;
  change: (doc: Doc, tag?: string) => void;
  form: PictureForm;
  slips: PanelSlip[];
  pick: () => void;
}

export const labelOf = (form: PictureForm | null, panel: Panel): string => form?.channels.find((one) => one.key === panel.quantity)?.label ?? (panel.quantity || "not said yet");

export function PanelList({ doc, chosen, choose, change, form, slips, pick }: Props) {
  const confirm = (panel: Panel, confirmed: boolean) => change(changed(doc, panel.id, { confirmed }));
  return (
    <ol class="panel-list">
      {doc.panels.map((panel, i) => {
        const own = slips.filter((slip) => slip.panel === i + 1);
        return (
          <li key={panel.id} class={panel.id === chosen ? "chosen" : ""}>
            <div class="row">
              <button class="name" aria-expanded={panel.id === chosen} aria-controls={`said-${panel.id}`} onClick={() => choose(panel.id === chosen ? 0 : panel.id)}>{i + 1} · {capital(labelOf(form, panel))}</button>
              <span class={`said-state ${panel.confirmed ? "sure" : ""}`}>{panel.confirmed ? "confirmed" : "proposed"}</span>
            </div>
            {own.filter((slip) => panel.id !== chosen || slip.field === "confirmed").slice(0, 1).map((slip) => <p key={slip.field} class="slip">{slip.problem}</p>)}
            {panel.id === chosen && (
              <div id={`said-${panel.id}`} class="stack" role="group" aria-label={`Panel ${i + 1}`}>
                <PanelForm panel={panel} doc={doc} change={change} form={form} slips={own} pick={pick} />
                <div class="row">
                  <label class="row grow"><input type="checkbox" checked={panel.confirmed} onChange={(event) => confirm(panel, event.currentTarget.checked)} /> I have looked: this panel is right <kbd>c</kbd></label>
                  <button onClick={() => change(removed(doc, panel.id))}>Take it out</button>
                </div>
              </div>
            )}
          </li>
        );
      })}
    </ol>
  );
}

interface FormProps {
  panel: Panel;
  doc: Doc;
  change: (doc: Doc, tag?: string) => void;
  form: PictureForm;
  slips: PanelSlip[];
  pick: () => void;
}

function PanelForm({ panel, doc, change, form, slips, pick }: FormProps) {
  const put = (to: Partial<Panel>, tag = "") => change(changed(doc, panel.id, to), tag && `${panel.id}.${tag}`);
  const channels = form.channels.filter((one) => one.trend === (panel.kind === "trend"));
  const chosen = channels.find((one) => one.key === panel.quantity);
  const across = form.channels.find((one) => one.key === panel.across && !one.trend);
  const problem = (field: string) => slips.find((slip) => slip.field === field)?.problem ?? "";
  const shared = panel.clock === null;
  const clock = clockOf(doc, panel);
  return (
    <>
      <div class="two">
        <Choice id="pic-quantity" label="It shows" value={panel.quantity} problem={problem("quantity")} options={channels.map((one) => [one.key, capital(one.label)])}
          put={(quantity) => put({ quantity, unit: channels.find((one) => one.key === quantity)?.units[0] ?? "" })} />
        <Choice id="pic-unit" label="in" value={panel.unit} problem={problem("unit")} options={(chosen?.units ?? []).map((unit) => [unit, unit])} put={(unit) => put({ unit })} />
      </div>
      {panel.read && !panel.confirmed && <p class="small"><span class="said-state">read, not confirmed</span> Figures were read by character recognition: hold them against the picture.</p>}
      <Pair legend="Value axis" what="row" unit={panel.unit} marks={panel.values} problem={problem("values")} put={(values, tag) => put({ values }, `values.${tag}`)} />
      {panel.kind === "loop" && (
        <div class="two">
          <Choice id="pic-across" label="Over" value={panel.across} problem={problem("across")} options={form.channels.filter((one) => !one.trend).map((one) => [one.key, capital(one.label)])}
            put={(key) => put({ across: key, across_unit: form.channels.find((one) => one.key === key)?.units[0] ?? "" })} />
          <Choice id="pic-across-unit" label="in" value={panel.across_unit} problem={problem("across_unit")} options={(across?.units ?? []).map((unit) => [unit, unit])} put={(across_unit) => put({ across_unit })} />
        </div>
      )}
      {panel.kind === "curve" && doc.panels.length > 1 && (
        <label class="row small"><input type="checkbox" checked={shared} onChange={(event) => put({ clock: event.currentTarget.checked ? null : structuredClone(doc.clock) })} /> It shares the clock of the other panels</label>
      )}
      <ClockForm clock={clock} panel={panel} problem={problem("clock")} put={(next, tag) => change(withClock(doc, panel, next), tag && `${panel.id}.clock.${tag}`)} />
      <details class="fold">
        <summary>Place, colour and kind</summary>
        <div class="stack small">
          <div class="two">
            {(["left", "top", "right", "bottom"] as const).map((edge, k) => (
              <div class="field" key={edge}><label for={`pic-${edge}`}>{capital({ left: "left edge", top: "upper edge", right: "right edge", bottom: "lower edge" }[edge])}</label>
                <input id={`pic-${edge}`} type="number" step="0.5" value={panel.box[k]} onInput={(event) => Number.isFinite(event.currentTarget.valueAsNumber) && put({ box: panel.box.map((at, n) => (n === k ? event.currentTarget.valueAsNumber : at)) as Panel["box"] }, edge)} /></div>
            ))}
          </div>
          {problem("box") && <p class="slip">{problem("box")}</p>}
          <div class="two">
            <div class="field"><label for="pic-colour">Colour of the curve</label>
              <span class="with-unit">{panel.colour && <span class="swatch" style={{ background: panel.colour }} />}<input id="pic-colour" placeholder="found by itself" value={panel.colour} maxLength={7} onInput={(event) => put({ colour: event.currentTarget.value.trim() }, "colour")} /></span>
              {problem("colour") && <p class="slip">{problem("colour")}</p>}</div>
            <div class="field" style={{ alignSelf: "end" }}><button onClick={pick}>Take it from the picture</button></div>
          </div>
          <Choice id="pic-kind" label="Kind" value={panel.kind} problem="" options={KINDS} empty={false}
            put={(kind) => put({ kind: kind as Kind, quantity: "", unit: "", clock: kind === "curve" ? null : (panel.clock ?? emptyClock(panel.box[0], panel.box[2])) })} />
        </div>
      </details>
    </>
  );
}

function ClockForm({ clock, panel, problem, put }: { clock: Clock; panel: Panel; problem: string; put: (clock: Clock, tag: string) => void }) {
  const sweeping = clock.way === "sweep" && panel.kind === "curve";
  return (
    <>
      {panel.kind === "curve" && (
        <div class="row small" role="group" aria-label="Time axis">
          <span>Time axis</span>
          <button aria-pressed={!sweeping} onClick={() => put({ ...clock, way: "marks" }, "")}>two marks</button>
          <button aria-pressed={sweeping} onClick={() => put({ ...clock, way: "sweep" }, "")}>wraps round after</button>
        </div>
      )}
      {sweeping ? (
        <div class="field"><label for="pic-sweep">Seconds from edge to edge</label>
          <span class="with-unit"><input id="pic-sweep" inputMode="decimal" value={clock.seconds} aria-invalid={Boolean(problem)} onInput={(event) => put({ ...clock, seconds: event.currentTarget.value }, "seconds")} /> <span class="quiet small">s</span></span>
          {problem && <p class="slip">{problem}</p>}</div>
      ) : (
        <Pair legend={panel.kind === "loop" ? "Axis from left to right" : "Time axis"} what="column" unit={panel.kind === "loop" ? panel.across_unit : panel.kind === "trend" ? "h" : "s"} marks={clock.marks} problem={problem} put={(marks, tag) => put({ ...clock, marks }, tag)} />
      )}
    </>
  );
}

/** Two marks of an axis: where they lie, and the figure that stands there. */
function Pair({ legend, what, unit, marks, problem, put }: { legend: string; what: "row" | "column"; unit: string; marks: Marks; problem: string; put: (marks: Marks, tag: string) => void }) {
  return (
    <div class="pairs" role="group" aria-label={legend}>
      <span class="small quiet">{legend}</span><span class="small quiet">at {what}</span><span class="small quiet">figure{unit ? `, in ${unit}` : ""}</span>
      {marks.map((mark: Mark, i) => (
        <>
          <span class="small">{i === 0 ? "first mark" : "second mark"}</span>
          <input type="number" step="0.5" aria-label={`${legend}, ${what} of mark ${i + 1}`} value={mark.at} onInput={(event) => Number.isFinite(event.currentTarget.valueAsNumber) && put(withMark(marks, i, { at: event.currentTarget.valueAsNumber }), `at${i}`)} />
          <input inputMode="decimal" aria-label={`${legend}, figure of mark ${i + 1}`} value={mark.value} aria-invalid={Boolean(problem)} maxLength={40} onInput={(event) => put(withMark(marks, i, { value: event.currentTarget.value }), `value${i}`)} />
        </>
      ))}
      {problem && <p class="slip" style={{ gridColumn: "1 / -1" }}>{problem}</p>}
    </div>
  );
}

function Choice({ id, label, value, options, problem, put, empty = true }: { id: string; label: string; value: string; options: [string, string][]; problem: string; put: (value: string) => void; empty?: boolean }) {
  return (
    <div class="field"><label for={id}>{label}</label>
      <select id={id} value={value} aria-invalid={Boolean(problem)} onChange={(event) => put(event.currentTarget.value)}>
        {empty && <option value="">say which</option>}
        {options.map(([key, words]) => <option key={key} value={key}>{words}</option>)}
      </select>
      {problem && <p class="slip">{problem}</p>}</div>
  );
}
