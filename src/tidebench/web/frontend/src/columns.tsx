import type { Mappable, Upload } from "./api";
import { capital } from "./words";

interface Props {
  columns: Upload["columns"];
  mappable: Mappable[];
  said: Record<string, string>;
  say: (header: string, words: string) => void;
}

/** The columns of a file: first cells, what each is understood as, and a choice where the header doesn't say enough. */
export function ColumnTable({ columns, mappable, said, say }: Props) {
  return (
    <div class="scroll">
      <table>
        <caption class="hidden">Columns of the file and what they hold</caption>
        <thead>
          <tr><th scope="col">column</th><th scope="col">first cells</th><th scope="col">holds</th><th scope="col">in</th></tr>
        </thead>
        <tbody>
          {columns.map((column) => {
            const left = said[column.header] === "ignore";
            const key = left ? "ignore" : column.quantity;
            const chosen = mappable.find((one) => one.key === key);
            const unit = chosen?.units.find((one) => one === column.unit) ?? "";
            return (
              <tr key={column.header}>
                <th scope="row">{column.header || "(no name)"}</th>
                <td class="small quiet">{column.cells.slice(0, 4).join("  ")}</td>
                <td>
                  <select aria-label={`What ${column.header} holds`} value={key} disabled={column.person}
                    onChange={(event) => {
                      const next = event.currentTarget.value;
                      const units = mappable.find((one) => one.key === next)?.units ?? [];
                      say(column.header, next === "" || next === "ignore" ? next : `${next} [${units.includes(column.unit) ? column.unit : units[0]}]`);
                    }}>
                    <option value="">not understood: left out</option>
                    <option value="ignore">leave it out</option>
                    {mappable.map((one) => <option key={one.key} value={one.key}>{capital(one.label)}</option>)}
                  </select>
                </td>
                <td>
                  {chosen && (
                    <select aria-label={`Unit of ${column.header}`} value={unit} onChange={(event) => say(column.header, event.currentTarget.value ? `${key} [${event.currentTarget.value}]` : key)}>
                      <option value="">{column.unit || "not said"}</option>
                      {chosen.units.map((one) => <option key={one}>{one}</option>)}
                    </select>
                  )}
                </td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}
