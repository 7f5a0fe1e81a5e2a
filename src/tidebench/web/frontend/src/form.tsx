// A form of fields as the server describes them. What is typed is worked out when a field is left or Enter is pressed.
import type { Field, Section, Slip } from "./api";
import { capital } from "./words";

export type Answers = { [table: string]: { [key: string]: string } };

export const tableOf = (table: string, row: number): string => (row > 1 ? `${table} ${row}` : table);

/** How many rows of a section are there; at least the first. */
export function rowsOf(section: Section, answers: Answers): number {
  const table = section.fields[0]?.table ?? "";
  const rows = Object.keys(answers).map((name) => (name === table ? 1 : name.startsWith(`${table} `) ? Number(name.slice(table.length + 1)) : 0));
  return Math.max(1, ...rows.filter(Number.isFinite));
}

/** The answers without a row; those after it move up. */
export function withoutRow(section: Section, answers: Answers, row: number): Answers {
  const table = section.fields[0]!.table;
  const rows = rowsOf(section, answers);
  const next: Answers = { ...answers };
  for (let at = row; at <= rows; at += 1) {
    const after = answers[tableOf(table, at + 1)];
    if (after) next[tableOf(table, at)] = after;
    else delete next[tableOf(table, at)];
  }
  return next;
}

const filled = (answers: Answers, table: string): boolean => Object.values(answers[table] ?? {}).some((text) => text.trim() !== "");

interface Props {
  sections: Section[];
  answers: Answers;
  slips: Slip[];
  put: (table: string, key: string, text: string, whole: boolean) => void;
  commit: () => void;
  set: (answers: Answers) => void;
}

export function FormFields({ sections, answers, slips, put, commit, set }: Props) {
  const mode = answers.settings?.mode ?? "";
  return (
    <>
      {sections.map((section) => {
        const rows = section.several ? rowsOf(section, answers) : 1;
        const fields = (row: number) =>
          section.fields
            .filter((field) => !field.modes.length || field.modes.includes(mode))
            .map((field) => {
              const table = tableOf(field.table, row);
              return (
                <FieldRow key={`${table}.${field.key}`} field={field} table={table} value={answers[table]?.[field.key] ?? ""}
                  slip={slips.find((slip) => slip.table === table && slip.key === field.key)?.problem ?? ""}
                  put={(text, whole) => put(table, field.key, text, whole)} commit={commit} />
              );
            });
        const inside = (
          <>
            {section.note && <p class="small quiet">{section.note}</p>}
            {Array.from({ length: rows }, (_, i) => i + 1).map((row) => (
              <div key={row} role={rows > 1 ? "group" : undefined} aria-label={rows > 1 ? `${section.title}, number ${row}` : undefined} class={rows > 1 ? "several" : undefined}>
                {rows > 1 && (
                  <div class="row small"><strong class="grow">{row}</strong><button type="button" class="plain" onClick={() => set(withoutRow(section, answers, row))}>Take number {row} out</button></div>
                )}
                <div class="fields">{fields(row)}</div>
              </div>
            ))}
            {section.several && rows < 30 && (
              <button type="button" onClick={() => set({ ...answers, [tableOf(section.fields[0]!.table, 1)]: answers[section.fields[0]!.table] ?? {}, [tableOf(section.fields[0]!.table, rows + 1)]: {} })}>
                Add another
              </button>
            )}
          </>
        );
        const used = section.fields.some((field) => filled(answers, field.table)) || slips.some((slip) => section.fields.some((field) => slip.table === field.table && slip.key === field.key));
        return section.folded ? (
          <details key={section.key} class="fold" open={used || undefined}>
            <summary>{section.title}</summary>
            <div class="stack">{inside}</div>
          </details>
        ) : (
          <fieldset key={section.key} class="stack"><legend>{section.title}</legend>{inside}</fieldset>
        );
      })}
    </>
  );
}

interface RowProps {
  field: Field;
  table: string;
  value: string;
  slip: string;
  put: (text: string, whole: boolean) => void;
  commit: () => void;
}

function FieldRow({ field, table, value, slip, put, commit }: RowProps) {
  const id = `${table}-${field.key}`.replace(/ /g, "-");
  const words = { id, "aria-invalid": Boolean(slip), "aria-describedby": slip ? `${id}-slip` : undefined };
  const said = slip && <p class="slip" id={`${id}-slip`}>{slip}</p>;
  if (field.kind === "tick") {
    return (
      <div class="field tick">
        <label for={id} class="row"><input {...words} type="checkbox" checked={value.trim() === "yes"} onChange={(event) => put(event.currentTarget.checked ? "yes" : "", true)} /> <span class="grow">{capital(field.label)}</span></label>
        {said}
      </div>
    );
  }
  return (
    <div class={field.kind === "text" ? "field wide" : "field"}>
      <label for={id}>{capital(field.label)}</label>
      {field.kind === "choice" ? (
        <select {...words} value={value.trim()} onChange={(event) => put(event.currentTarget.value, true)}>
          <option value="">not said</option>
          {field.choices.map((choice) => <option key={choice}>{choice}</option>)}
        </select>
      ) : (
        <span class="with-unit">
          <input {...words} value={value.trim() === "" ? "" : value} inputMode={field.kind === "text" ? "text" : "decimal"} title={field.possible} maxLength={400} autoComplete="off"
            onInput={(event) => put(event.currentTarget.value, false)} onChange={commit} />
          {field.unit && <span class="quiet small">{field.unit}</span>}
        </span>
      )}
      {said}
    </div>
  );
}
