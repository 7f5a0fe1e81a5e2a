// A setting moved through a range, or two through a field: a curve with its doubt, or a map of the estimate.
import { useEffect, useRef, useState } from "preact/hooks";

import { caseUrl, get, send, stopped, type Job, type Lever, type Swept } from "./api";
import { ticks, useCanvas } from "./draw";
import { follow } from "./jobs";
import { useKeys } from "./keys";
import { look, usePlace } from "./place";
import { AXIS_PX } from "./plot";
import { colour } from "./theme";
import { capital } from "./words";

const VALUES = 11;
const USUAL = ["driving_pressure_cmh2o", "vti_ml"];

interface Span {
  key: string;
  low: number;
  high: number;
  step: number;
}
type Found = Swept["found"][number];

export function readSpans(text: string | undefined): Span[] {
  return (text ?? "").split(",").flatMap((part) => {
    const [key, ...numbers] = part.split(":");
    const [low, high, step] = numbers.map(Number);
    return key && numbers.length === 3 && [low, high, step].every(Number.isFinite) ? [{ key, low: low!, high: high!, step: step! }] : [];
  });
}

export const writeSpans = (spans: Span[]): string => spans.map((span) => [span.key, span.low, span.high, span.step].join(":")).join(",");

/** What a lever is moved through unless said: about eleven values around what is set. */
export function around(lever: Lever): Span {
  const each = Math.max(1, Math.round((lever.high - lever.low) / (4 * (VALUES - 1)) / lever.step)) * lever.step;
  const half = Math.floor(VALUES / 2) * each;
  const neat = (value: number) => Number(value.toFixed(6));
  return { key: lever.key, low: neat(Math.max(lever.low, lever.value - half)), high: neat(Math.min(lever.high, lever.value + half)), step: neat(each) };
}

interface Props {
  name: string;
  levers: Lever[];
  stretch: { from_s?: number; to_s?: number };
  settings: { [key: string]: number };
  take: (settings: { [key: string]: number }) => void;
}

export function Sweep({ name, levers, stretch, settings, take }: Props) {
  const place = usePlace();
  const [spans, setSpans] = useState<Span[]>(() => readSpans(place.words.sweep));
  const [swept, setSwept] = useState<Swept | null>(null);
  const [job, setJob] = useState<Job | null>(null);
  const [problem, setProblem] = useState("");
  const way = useRef<AbortController | null>(null);
  const first = useRef<HTMLSelectElement>(null);
  const base = `${caseUrl(name)}/whatif`;
  useEffect(() => {
    if (spans.length) void run();
    return () => way.current?.abort();
  }, []);

  const run = async (event?: Event) => {
    event?.preventDefault();
    if (!spans.length) return setProblem("Choose a setting to move.");
    if (spans.some((span) => span.high < span.low || span.step <= 0)) return setProblem("A range goes from a lower value to a higher one, in steps above 0.");
    way.current?.abort();
    const asked = new AbortController();
    way.current = asked;
    setProblem("");
    setSwept(null);
    look({ sweep: writeSpans(spans) });
    try {
      const begun = await send<Job>("POST", `${base}/sweep`, { ...stretch, settings, ranges: spans });
      const done = await follow(begun, asked.signal, setJob);
      setSwept(await get<Swept>(`${base}/swept/${done.name}`, asked.signal));
    } catch (error) {
      if (!stopped(error)) setProblem((error as Error).message);
    } finally {
      setJob(null);
    }
  };
  const choose = (at: number, key: string) => {
    const lever = levers.find((one) => one.key === key);
    setSpans((now) => [...now.slice(0, at), ...(lever ? [around(lever)] : []), ...now.slice(at + 1)].slice(0, 2));
  };
  const put = (at: number, part: Partial<Span>) => setSpans((now) => now.map((span, i) => (i === at ? { ...span, ...part } : span)));
  useKeys([{ keys: ["s"], group: "What-if", words: "Move a setting through a range", act: () => first.current?.focus() }], []);

  const found = [place.words.show, ...USUAL].map((key) => swept?.found.find((one) => one.key === key)).find(Boolean) ?? swept?.found[0];
  return (
    <section class="sheet strip" aria-labelledby="range">
      <div class="strip-head"><h2 id="range" class="grow">Through a range</h2></div>
      <form class="stack" onSubmit={(event) => void run(event)} noValidate>
        {[0, 1].slice(0, spans.length ? 2 : 1).map((at) => (
          <div class="row small" key={at} role="group" aria-label={at ? "Second setting" : "Setting"}>
            <label for={`sweep-${at}`}>{at ? "and" : "Move"}</label>
            <select id={`sweep-${at}`} ref={at ? undefined : first} value={spans[at]?.key ?? ""} onChange={(event) => choose(at, event.currentTarget.value)}>
              <option value="">{at ? "no other" : "choose a setting"}</option>
              {levers.filter((lever) => lever.key !== spans[1 - at]?.key).map((lever) => <option key={lever.key} value={lever.key}>{capital(lever.label)}</option>)}
            </select>
            {spans[at] && (["low", "high", "step"] as const).map((part) => (
              <span class="row" key={part}>
                <label for={`sweep-${at}-${part}`}>{{ low: "from", high: "to", step: "by" }[part]}</label>
                <input id={`sweep-${at}-${part}`} type="number" step="any" style={{ width: "5.5rem" }} value={spans[at]![part]} onChange={(event) => Number.isFinite(event.currentTarget.valueAsNumber) && put(at, { [part]: event.currentTarget.valueAsNumber })} />
              </span>
            ))}
            {spans[at] && <span class="quiet">{levers.find((lever) => lever.key === spans[at]!.key)?.unit}</span>}
          </div>
        ))}
        <div class="row">
          <button disabled={Boolean(job)}>{spans.length > 1 ? "Draw the map" : "Draw the curve"}</button>
          {job && <><progress class="grow" value={job.share} aria-label="Sweep" /><button type="button" onClick={() => way.current?.abort()}>Stop</button></>}
        </div>
      </form>
      {problem && <p class="problem" role="alert">{problem}</p>}
      {swept && found && (
        <div class="stack" style={{ marginTop: "0.6rem" }}>
          <div class="row small">
            <label for="sweep-show">Shown:</label>
            <select id="sweep-show" value={found.key} onChange={(event) => look({ show: event.currentTarget.value })}>
              {swept.found.map((one) => <option key={one.key} value={one.key}>{capital(one.label)}</option>)}
            </select>
            <span class="quiet">{swept.settings}</span>
          </div>
          {swept.along.length === 1 ? <Curve swept={swept} found={found} take={take} /> : <Field swept={swept} found={found} take={take} />}
          <p class="small">The estimate takes lung, airways and leak to stay as they are: that a row, a column or a curve stays level is then assumed, not found. Take a place up to see its doubt.</p>
          {swept.beyond.some(Boolean) && <p class="small">{swept.along.length > 1 ? "A hatched field" : "A hollow mark"} lies beyond what was recorded, where the model is only led on: {swept.beyond.find(Boolean)}.</p>}
          {swept.refused.some(Boolean) && <p class="small">{swept.refused.filter(Boolean).length} of {swept.refused.length} can't be set and are left out: {swept.refused.find(Boolean)}</p>}
        </div>
      )}
    </section>
  );
}

function Curve({ swept, found, take }: { swept: Swept; found: Found; take: Props["take"] }) {
  const along = swept.along[0]!;
  const known = [...found.low, ...found.high].filter((value): value is number => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const pad = 0.08 * (high - low || 1);
  const canvas = useCanvas(
    (ctx, width, height) => {
      const [left, right, top, bottom] = [AXIS_PX, 14, 8, 38];
      const [first, last] = [along.values[0]!, along.values.at(-1)!];
      const x = (value: number) => left + ((value - first) / (last - first || 1)) * (width - left - right);
      const y = (value: number) => top + ((high + pad - value) / (high - low + 2 * pad)) * (height - top - bottom);
      ctx.font = "12px 'Source Sans 3 Variable', sans-serif";
      ctx.fillStyle = colour("ink-2");
      ctx.strokeStyle = colour("rule");
      ctx.textAlign = "right";
      for (const at of ticks(low - pad, high + pad, 5)) {
        ctx.beginPath(), ctx.moveTo(left, y(at)), ctx.lineTo(width - right, y(at)), ctx.stroke();
        ctx.fillText(String(at).replace("-", "−"), left - 6, y(at) + 4);
      }
      ctx.textAlign = "center";
      for (const at of ticks(first, last, 8)) ctx.fillText(String(at), x(at), height - bottom + 16);
      ctx.fillText(`${along.label}, ${along.unit}`, (left + width - right) / 2, height - 5);
      const path = (values: (number | null)[], from = 0) => values.forEach((value, i) => value !== null && (i === from ? ctx.moveTo(x(along.values[i]!), y(value)) : ctx.lineTo(x(along.values[i]!), y(value))));
      ctx.beginPath();
      path(found.low);
      found.high.map((value, i) => [value, along.values[i]!] as const).reverse().forEach(([value, at]) => value !== null && ctx.lineTo(x(at), y(value)));
      ctx.fillStyle = colour("blue-tint");
      ctx.globalAlpha = 0.7;
      ctx.fill();
      ctx.globalAlpha = 1;
      ctx.strokeStyle = ctx.fillStyle = colour("blue");
      ctx.lineWidth = 2;
      ctx.beginPath();
      path(found.estimate);
      ctx.stroke();
      found.estimate.forEach((value, i) => {
        if (value === null) return;
        ctx.fillStyle = colour(swept.beyond[i] ? "sheet" : "blue");
        ctx.beginPath(), ctx.arc(x(along.values[i]!), y(value), 3.5, 0, 7), ctx.fill(), ctx.stroke();
      });
    },
    [swept, found],
  );
  return (
    <>
      <canvas ref={canvas} class="curve" role="img" aria-label={`${found.label} along ${along.label}; the table below has every value`} />
      <div class="scroll" tabIndex={0} role="region" aria-label={`${found.label} along ${along.label}`}>
        <table class="small">
          <thead><tr><th scope="col">{along.label}, {along.unit}</th>{along.values.map((value) => <th key={value} scope="col" class="num"><button class="plain" onClick={() => take({ [along.key]: value })} aria-label={`Take up ${along.label} ${value}`}>{value}</button></th>)}</tr></thead>
          <tbody>
            <tr><th scope="row">{found.label}</th>{found.words.map((words, i) => <td key={i} class={`num ${swept.beyond[i] ? "beyond" : ""}`} title={swept.beyond[i] || swept.refused[i] || undefined}>{words.replace(` ${found.unit}`, "") || "–"}{swept.beyond[i] && <span class="hidden">, beyond what was recorded</span>}</td>)}</tr>
          </tbody>
        </table>
      </div>
      <p class="small quiet">The band holds nine tenths of the patients that the stretch allows. Press a value to take it up.</p>
    </>
  );
}

function Field({ swept, found, take }: { swept: Swept; found: Found; take: Props["take"] }) {
  const [down, across] = swept.along as [Swept["along"][number], Swept["along"][number]];
  const known = found.estimate.filter((value): value is number => value !== null);
  const [low, high] = [Math.min(...known), Math.max(...known)];
  const shade = (value: number | null) => (value === null ? "none" : `color-mix(in srgb, var(--blue-tint) ${Math.round((100 * (value - low)) / (high - low || 1))}%, var(--sheet))`);
  return (
    <>
      <div class="scroll" tabIndex={0} role="region" aria-label={`${found.label} over two settings`}>
        <table class="field-map small">
          <caption class="small">{capital(found.label)}{found.unit && `, ${found.unit}`}: the estimate alone, without its doubt. The deeper the shade, the higher.</caption>
          <thead>
            <tr><th scope="col">{down.label}, {down.unit} ↓ {across.label}, {across.unit} →</th>{across.values.map((value) => <th key={value} scope="col" class="num">{value}</th>)}</tr>
          </thead>
          <tbody>
            {down.values.map((first, i) => (
              <tr key={first}>
                <th scope="row" class="num">{first}</th>
                {across.values.map((second, k) => {
                  const at = i * across.values.length + k;
                  const words = found.words[at]!.replace(` ${found.unit}`, "") || "–";
                  if (swept.refused[at]) return <td key={second} class="num quiet" title={swept.refused[at]}>–<span class="hidden">, can't be set</span></td>;
                  const off = swept.beyond[at];
                  return <td key={second} class={off ? "beyond" : undefined} style={{ backgroundColor: shade(found.estimate[at] ?? null) }} title={off || undefined}><button class="plain" onClick={() => take({ [down.key]: first, [across.key]: second })} aria-label={`${words}${off ? ", beyond what was recorded" : ""}; take up ${down.label} ${first} and ${across.label} ${second}`}>{words}</button></td>;
                })}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <p class="small quiet">Press a field to take its two settings up, with their doubt.</p>
    </>
  );
}
