// A page of care: sentences, numbers that can be asked, tables, notes, lines to tick.
import type { Quantity } from "./api";
import type { CarePage, Part } from "./api";
import { Ask } from "./ask";

interface Props {
  page: CarePage;
  known: { [key: string]: Quantity };
  figures?: { [name: string]: { svg: string; alt: string } };
}

export function CareParts({ page, known, figures = {} }: Props) {
  return (
    <>
      {grouped(page.parts).map(([heading, parts]) => (
        <section class="sheet part stack" key={heading} aria-label={heading || page.title}>
          {heading && <h2>{heading}</h2>}
          {parts.map((part, i) => <PartShown key={i} part={part} known={known} figure={figures[part.figure]} />)}
        </section>
      ))}
    </>
  );
}

/** Parts without a heading go on with the one before. */
export function grouped(parts: Part[]): [string, Part[]][] {
  const groups: [string, Part[]][] = [];
  for (const part of parts) {
    if (part.heading || !groups.length) groups.push([part.heading, [part]]);
    else groups.at(-1)![1].push(part);
  }
  return groups;
}

function PartShown({ part, known, figure }: { part: Part; known: Props["known"]; figure: { svg: string; alt: string } | undefined }) {
  return (
    <>
      {part.lines.map((line) => <p key={line}>{line}</p>)}
      {part.items.length > 0 && (
        <ul class="numbers">
          {part.items.map((item) => (
            <Ask key={`${item.key}-${item.label}`} label={item.label} value={item.value} state={item.state} quantity={known[item.key]} from={item.source} words={item.why}
              more={item.beside || [item.why, item.why && item.source && `(${item.source})`].filter(Boolean).join(" ")} reason={item.value === "–" ? item.why : ""} />
          ))}
        </ul>
      )}
      {part.rows.length > 0 && (
        <div class="scroll" tabIndex={0} role="region" aria-label={part.heading || "Table"}>
          <table class="small">
            <thead><tr>{part.head.map((name, i) => <th key={i} scope="col" class={part.right.includes(i) ? "num" : ""}>{name || <span class="hidden">side</span>}</th>)}</tr></thead>
            <tbody>{part.rows.map((row, k) => <tr key={k}>{row.map((cell, i) => (i === 0 ? <th key={i} scope="row">{cell}</th> : <td key={i} class={part.right.includes(i) ? "num" : ""}>{cell}</td>))}</tr>)}</tbody>
          </table>
        </div>
      )}
      {figure && <img class="figure" src={`data:image/svg+xml;charset=utf-8,${encodeURIComponent(figure.svg)}`} alt={figure.alt} />}
      {part.ticks.length > 0 && <ul class="ticks">{part.ticks.map((line) => <li key={line}>{line}</li>)}</ul>}
      {part.after.length > 0 && <ul class="small">{part.after.map((line) => <li key={line}>{line}</li>)}</ul>}
    </>
  );
}
