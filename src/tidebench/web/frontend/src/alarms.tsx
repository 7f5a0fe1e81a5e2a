// Alarms replayed: the course of a quantity with a limit that can be dragged, and its burden against missed events.
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import type uPlot from "uplot";

import { caseUrl, fetchFile, get, send, stopped, type Alarm, type Alarms, type Course, type Entry, type Played } from "./api";
import { ticks, useCanvas } from "./draw";
import { useKeys } from "./keys";
import { forget, say, undoLast, useMoving } from "./notices";
import { go, look, usePlace } from "./place";
import { AXIS_PX, Plot, RIGHT_PX } from "./plot";
import { keepView } from "./save";
import { colour } from "./theme";
import { capital, clock } from "./words";

const HEIGHT = 250;
const TOP_PX = 6;
const BOTTOM_PX = 24;
interface Limit {
  limit: number;
  delay_s: number;
}

const written = (one: Limit | null): string => (one ? `${one.limit}@${one.delay_s}` : "");

export function readLimit(text: string | undefined): Limit | null {
  const [limit, delay] = (text ?? "").split("@").map(Number);
  return text && Number.isFinite(limit) ? { limit: limit!, delay_s: Number.isFinite(delay) ? delay! : 0 } : null;
}

export const rounded = (value: number, step: number): number => Number((Math.round(value / step) * step).toFixed(6));

/** The range that is drawn: where a limit can go, and a little more. */
export function shownRange(low: number, high: number): [number, number] {
  const pad = 0.06 * (high - low || 1);
  return [low - pad, high + pad];
}

export function AlarmsRoom({ name }: { name: string }) {
  const [cases, setCases] = useState<Entry[]>([]);
  useEffect(() => void get<Entry[]>("/cases").then((all) => setCases(all.filter((one) => one.recording && !one.problem)), () => setCases([])), []);
  return (
    <>
      <div class="row">
        <h1 class="grow">Alarms, replayed</h1>
        <span class="row small"><label for="alarm-case">over</label>
          <select id="alarm-case" value={name} onChange={(event) => go({ room: "alarms", name: event.currentTarget.value })}>
            <option value="">choose a recorded case</option>
            {cases.map((one) => <option key={one.name} value={one.name}>{one.title}</option>)}
            {name && !cases.some((one) => one.name === name) && <option value={name}>{name}</option>}
          </select>
        </span>
      </div>
      {name ? <Replay name={name} /> : <p class="sheet">Choose a case with a reviewed recording: any limit and delay is then replayed over its breaths, and what it would have cost stands against what it would have missed.</p>}
    </>
  );
}

function Replay({ name }: { name: string }) {
  const place = usePlace();
  const [all, setAll] = useState<Alarms | null>(null);
  const [problem, setProblem] = useState("");
  const key = place.words.alarm ?? "";
  const must = readLimit(place.words.must);
  useEffect(() => {
    const [quantity, side] = key.split(".");
    const body = must && quantity && side ? { must: { key: quantity, side, must } } : {};
    send<Alarms>("POST", `${caseUrl(name)}/alarms`, body).then((told) => (setAll(told), setProblem("")), (error: Error) => setProblem(error.message));
  }, [name, place.words.must ? key : "", place.words.must]);
  const alarm = all?.alarms.find((one) => `${one.key}.${one.side}` === key) ?? [...(all?.alarms ?? [])].sort((a, b) => Number(b.events > 0) - Number(a.events > 0))[0];
  const at = alarm ? all!.alarms.indexOf(alarm) : 0;
  const pick = (one: Alarm) => (forget(), look({ alarm: `${one.key}.${one.side}`, then: "", now: "", must: "" }));
  const step = (by: number) => all && pick(all.alarms[(at + by + all.alarms.length) % all.alarms.length]!);
  useKeys(
    [
      { keys: ["n"], group: "Alarms", words: "Next alarm", act: () => void step(1) },
      { keys: ["p"], group: "Alarms", words: "Alarm before", act: () => void step(-1) },
      { keys: ["z"], group: "Alarms", words: "Take the last change back", act: undoLast },
    ],
    [all, at],
  );
  if (problem) {
    return (
      <div class="problem stack" role="alert"><p>{problem}</p><p><a href={`#/case/${encodeURIComponent(name)}`}>Open the case</a></p></div>
    );
  }
  if (!all) return <p class="quiet" role="status">Replaying …</p>;
  if (!alarm) return <p class="sheet">No quantity that can be replayed is known of any breath.</p>;
  return (
    <>
      <p class="well-said">{all.never}</p>
      <div class="row" role="group" aria-label="Which alarm">
        {all.alarms.map((one) => (
          <button key={`${one.key}.${one.side}`} aria-pressed={one === alarm} onClick={() => pick(one)}>
            {one.name}{one.events > 0 && <span class="small quiet">{one.events} {one.events === 1 ? "event" : "events"}</span>}
          </button>
        ))}
      </div>
      <One key={`${alarm.key}.${alarm.side}.${place.words.must ?? ""}`} name={name} alarm={alarm} />
      <details class="fold" style={{ marginTop: "1rem" }}>
        <summary>How it is replayed, and what counts as missed</summary>
        <p class="small">{all.model}</p>
        <p class="small">Burden against missed events: each mark is a limit with a delay; down is fewer missed, left is fewer alarms. The line joins those that no other beats. Pairs that sound more than a fifth of the time are left out.</p>
        <p class="small">{all.events}</p>
      </details>
    </>
  );
}

function One({ name, alarm }: { name: string; alarm: Alarm }) {
  const place = usePlace();
  const usual = alarm.choices[0];
  const [then, setThen] = useState<Limit>(() => readLimit(place.words.then) ?? (usual ? { limit: usual.limit, delay_s: usual.delay_s } : { limit: alarm.side === "high" ? alarm.high : alarm.low, delay_s: 0 }));
  const [now, setNow] = useState<Limit | null>(() => readLimit(place.words.now));
  const [played, setPlayed] = useState<Played | null>(null);
  const [course, setCourse] = useState<Course | null>(null);
  const [problem, setProblem] = useState("");
  const must = readLimit(place.words.must);
  const asked = useRef<{ busy: boolean; next: (() => void) | null }>({ busy: false, next: null });
  const handle = useRef<HTMLDivElement>(null);
  const base = `${caseUrl(name)}/alarms`;
  const of = { key: alarm.key, side: alarm.side, must };

  useEffect(() => {
    const way = new AbortController();
    send<Course>("POST", `${base}/course`, of, way.signal).then(setCourse, (error: Error) => stopped(error) || setProblem(error.message));
    return () => way.abort();
  }, []);

  // one question at a time; of those that come meanwhile only the last is asked
  const replay = async () => {
    if (asked.current.busy) {
      asked.current.next = () => void replay();
      return;
    }
    asked.current.busy = true;
    const { then: limit, now: held } = wanted.current;
    try {
      setPlayed(await send<Played>("POST", `${base}/replay`, { ...of, then: limit, now: held }));
      setProblem("");
    } catch (error) {
      setProblem((error as Error).message);
    } finally {
      asked.current.busy = false;
      const next = asked.current.next;
      asked.current.next = null;
      next?.();
    }
  };
  const wanted = useRef({ then, now });
  wanted.current = { then, now };
  useEffect(() => {
    look({ alarm: `${alarm.key}.${alarm.side}`, then: written(then), now: written(now) });
    void replay();
  }, [then, now]);

  const move = useMoving();
  const moving = () => move(() => setThen(then));
  const put = (limit: number) => {
    moving();
    setThen((before) => ({ ...before, limit: rounded(Math.min(alarm.high, Math.max(alarm.low, limit)), alarm.step) }));
  };
  const typed = (limit: number) => {
    if (!Number.isFinite(limit)) return;
    if (limit < alarm.low || limit > alarm.high) say(`This limit goes from ${alarm.low} to ${alarm.high} ${alarm.unit}; ${limit} was not taken.`);
    else put(limit);
  };
  const delay = (by: number) => {
    const place = alarm.delays_s.findIndex((one) => one >= then.delay_s);
    const next = alarm.delays_s[Math.min(alarm.delays_s.length - 1, Math.max(0, (place < 0 ? alarm.delays_s.length : place) + by))];
    if (next === undefined || next === then.delay_s) return;
    moving();
    setThen({ ...then, delay_s: next });
  };
  const take = (limit: Limit) => {
    const before = then;
    setThen(limit);
    say("The limit was moved.", () => setThen(before));
  };
  const hold = () => {
    const before = now;
    setNow(then);
    say("Limits are now held against this one.", () => setNow(before));
  };
  const save = () => fetchFile(`${base}/page.pdf`, { ...of, then, now }, `${name}-alarms.pdf`).catch((error: Error) => setProblem(error.message));
  useKeys(
    [
      { keys: ["l"], group: "Alarms", words: "To the limit; arrows move it", act: () => handle.current?.focus() },
      { keys: ["["], group: "Alarms", words: "Shorter delay", act: () => delay(-1) },
      { keys: ["]"], group: "Alarms", words: "Longer delay", act: () => delay(1) },
      { keys: ["u"], group: "Alarms", words: "As people usually set it", act: () => usual && take({ limit: usual.limit, delay_s: usual.delay_s }) },
      { keys: ["h"], group: "Alarms", words: "Hold further limits against this one", act: hold },
      { keys: ["d"], group: "Alarms", words: "The page as PDF", act: () => void save() },
    ],
    [then, now, alarm],
  );
  const said = played ? `${played.words} ${played.numbers.map(([label, value]) => `${label}: ${value}`).join("; ")}.` : "";
  const words = `${alarm.name}: ${then.limit} ${alarm.unit}${then.delay_s ? ` for ${then.delay_s} s` : ", no delay"}`;
  return (
    <>
      <p class="quiet small" style={{ margin: "0.5rem 0" }}>{alarm.about} {capital(alarm.reason)}</p>
      {problem && <p class="problem" role="alert">{problem}</p>}
      <div class="replay">
        <section class="sheet strip" aria-labelledby="course">
          <div class="strip-head">
            <h2 id="course" class="grow">{capital(alarm.label)}, breath by breath</h2>
            <span class="row small"><label for="limit">Limit</label> <input id="limit" type="number" min={alarm.low} max={alarm.high} step={alarm.step} value={then.limit} style={{ width: "6rem" }} onChange={(event) => typed(event.currentTarget.valueAsNumber)} /> {alarm.unit}</span>
            <span class="row small"><label for="delay">Delay</label>
              <select id="delay" value={String(then.delay_s)} onChange={(event) => (moving(), setThen({ ...then, delay_s: Number(event.currentTarget.value) }))}>
                {[...new Set([...alarm.delays_s, then.delay_s])].sort((a, b) => a - b).map((one) => <option key={one} value={String(one)}>{one} s</option>)}
              </select>
            </span>
          </div>
          {course && <CoursePlot alarm={alarm} course={course} played={played} then={then} now={now} put={put} handle={handle} words={words} />}
          <p class="legend">
            <span><Mark kind="sound" />would sound</span><span><Mark kind="heard" />true event, told</span><span><Mark kind="missed" />true event, missed</span><span><Line ink="blue" />limit, to drag</span>{now && <span><Line ink="ink-2" />held against</span>}
          </p>
        </section>
        <section class="sheet strip" aria-labelledby="burden">
          <div class="strip-head"><h2 id="burden" class="grow">Burden against missed events</h2></div>
          <Burden alarm={alarm} played={played} then={then} said={said} />
        </section>
        <section class="sheet strip" aria-labelledby="told">
          <h2 id="told">What it would do</h2>
          <p class="hidden" role="status">{said}</p>
          <div>
            <p><strong>{played?.words ?? words}</strong></p>
            {played && (
              <table class="small">
                <caption class="hidden">The limit replayed</caption>
                <tbody>{played.numbers.map(([label, value]) => <tr key={label}><th scope="row">{label}</th><td class="num"><strong>{value}</strong></td></tr>)}</tbody>
              </table>
            )}
            {played?.told === false && <p class="small">It would sound more than a fifth of the time: its count tells nothing.</p>}
            {played?.against.map((line, i) => <p key={line} class="small">{i > 0 && /^\d/.test(line) ? "· " : ""}{line}</p>)}
          </div>
          <div class="row" style={{ marginTop: "0.5rem" }}>
            <button onClick={hold}>Hold against this <kbd>h</kbd></button>
            {now && <button onClick={() => { const before = now; setNow(null); say("Nothing is held against it.", () => setNow(before)); }}>Let go</button>}
            <button onClick={() => void save()}>As PDF <kbd>d</kbd></button>
            <button onClick={() => void keepView("this alarm and limit")}>Keep this view</button>
          </div>
        </section>
        <section class="sheet strip" aria-labelledby="choices">
          <h2 id="choices">Where it is set, and what this record says</h2>
          <div class="scroll" tabIndex={0} role="region" aria-label="Choices of limit and delay">
            <table class="small">
              <thead><tr><th scope="col">limit</th><th scope="col" class="num">at</th><th scope="col" class="num">delay</th><th scope="col" class="num">n</th><th scope="col" class="num">per hour</th><th scope="col" class="num">min per h</th><th scope="col" class="num">missed</th><th scope="col" class="num">in halves</th><th scope="col"><span class="hidden">take</span></th></tr></thead>
              <tbody>
                {alarm.choices.map((one) => (
                  <tr key={one.name + one.limit}><th scope="row">{one.name}</th>{one.cells.map((cell, i) => <td key={i} class="num">{cell}</td>)}<td><button class="plain" onClick={() => take({ limit: one.limit, delay_s: one.delay_s })} aria-label={`Show the ${one.name} limit`}>show</button></td></tr>
                ))}
              </tbody>
            </table>
          </div>
          {alarm.usual && <p class="small quiet">Usual: {alarm.usual}.</p>}
          <Must alarm={alarm} must={must} then={then} />
        </section>
      </div>
    </>
  );
}

/** Stretches beyond a limit that may not be missed count as events; said by a person. */
function Must({ alarm, must, then }: { alarm: Alarm; must: Limit | null; then: Limit }) {
  const put = (next: Limit | null) => {
    look({ must: written(next), then: written(then) });
    say(next ? "Stretches beyond it count as true events." : "Only findings count as true events.", () => look({ must: written(must) }));
  };
  return (
    <p class="row small" style={{ marginTop: "0.5rem" }}>
      {must ? <span class="grow">Not to be missed: {alarm.side === "high" ? "above" : "below"} {must.limit} {alarm.unit} for {must.delay_s} s.</span> : <span class="grow">What may not be missed can be said too:</span>}
      {must ? <button onClick={() => put(null)}>Findings alone</button> : <button onClick={() => put(then)}>Stretches beyond this limit</button>}
    </p>
  );
}

interface CourseProps {
  alarm: Alarm;
  course: Course;
  played: Played | null;
  then: Limit;
  now: Limit | null;
  put: (limit: number) => void;
  handle: { current: HTMLDivElement | null };
  words: string;
}

function CoursePlot({ alarm, course, played, then, now, put, handle, words }: CourseProps) {
  const [low, high] = shownRange(alarm.low, alarm.high);
  const box = useRef<HTMLDivElement>(null);
  const inner = HEIGHT - TOP_PX - BOTTOM_PX;
  const y = (value: number) => TOP_PX + ((high - value) / (high - low)) * inner;
  const series = useMemo<uPlot.Series[]>(() => [{ label: alarm.label, stroke: () => colour("ink"), width: 1.1, points: { show: course.time_s.length < 120, size: 3, fill: () => colour("ink") } }], [alarm.key]);
  const data = useMemo(() => [course.time_s, course.values] as uPlot.AlignedData, [course]);
  const under = (plot: uPlot) => {
    const { ctx } = plot;
    const { left, top, width, height } = plot.bbox;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, width, height);
    ctx.clip();
    ctx.fillStyle = colour("yellow-tint");
    for (const [from, to] of played?.sounds ?? []) {
      const x = plot.valToPos(from, "x", true);
      ctx.fillRect(x, top, Math.max(2, plot.valToPos(to, "x", true) - x), height);
    }
    const ratio = window.devicePixelRatio || 1;
    course.events.forEach(([from, to], i) => {
      const heard = played?.heard[i] ?? false;
      const x = plot.valToPos(from, "x", true);
      const wide = Math.max(4 * ratio, plot.valToPos(to, "x", true) - x);
      ctx.fillStyle = ctx.strokeStyle = colour(heard ? "blue" : "red");
      ctx.lineWidth = 1.5 * ratio;
      if (heard) ctx.fillRect(x, top, wide, 8 * ratio);
      else ctx.strokeRect(x + ratio, top + ratio, wide - 2 * ratio, 8 * ratio);
    });
    ctx.restore();
  };
  const over = (plot: uPlot) => {
    if (!now) return;
    const { ctx } = plot;
    const at = plot.valToPos(now.limit, "y", true);
    ctx.save();
    ctx.strokeStyle = colour("ink-2");
    ctx.setLineDash([4, 4]);
    ctx.beginPath();
    ctx.moveTo(plot.bbox.left, at);
    ctx.lineTo(plot.bbox.left + plot.bbox.width, at);
    ctx.stroke();
    ctx.restore();
  };
  const drag = (event: PointerEvent) => {
    if (!(event.buttons & 1)) return;
    const { top } = box.current!.getBoundingClientRect();
    put(high - ((event.clientY - top - TOP_PX) / inner) * (high - low));
  };
  const keys = (event: KeyboardEvent) => {
    const big = 10 * alarm.step;
    const to: Record<string, number> = {
      ArrowUp: then.limit + alarm.step, ArrowRight: then.limit + alarm.step, ArrowDown: then.limit - alarm.step, ArrowLeft: then.limit - alarm.step,
      PageUp: then.limit + big, PageDown: then.limit - big, Home: alarm.low, End: alarm.high,
    };
    const next = to[event.key];
    if (next === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    put(next);
  };
  return (
    <div class="limit-plot" ref={box}>
      <Plot label={`${alarm.label} of each breath, with the limit`} data={data} series={series} from={0} to={course.duration_s} height={HEIGHT} timeAxis range={[low, high]} under={under} over={over} />
      <div ref={handle} class="limit" role="slider" tabIndex={0} aria-label={`Limit of ${alarm.label}`} aria-orientation="vertical" aria-valuemin={alarm.low} aria-valuemax={alarm.high} aria-valuenow={then.limit} aria-valuetext={words}
        style={{ top: `${y(then.limit)}px`, left: `${AXIS_PX}px`, right: `${RIGHT_PX}px` }}
        onPointerDown={(event) => { event.currentTarget.setPointerCapture(event.pointerId); event.currentTarget.focus(); }} onPointerMove={drag} onKeyDown={keys}>
        <span>{alarm.side === "high" ? "▲" : "▼"} {then.limit} {alarm.unit}</span>
      </div>
      <p class="hidden">{course.events.length ? course.events.map(([from], i) => `Event at ${clock(from)}, ${played?.heard[i] ? "told" : "missed"}.`).join(" ") : "No event."}</p>
    </div>
  );
}

const DELAYS: [string, (delay: number) => boolean][] = [["no delay", (d) => d === 0], ["up to 15 s", (d) => d > 0 && d <= 15], ["longer", (d) => d > 15]];

function Burden({ alarm, played, then, said }: { alarm: Alarm; played: Played | null; then: Limit; said: string }) {
  const told = alarm.pairs.filter((pair) => pair.told);
  const most = Math.max(1, played?.told ? played.burden : 0, ...told.map((pair) => pair.burden)) * 1.15;
  const shape = (ctx: CanvasRenderingContext2D, kind: number, x: number, y: number, r: number) => {
    ctx.beginPath();
    if (kind === 0) ctx.arc(x, y, r, 0, 7);
    else if (kind === 1) ctx.rect(x - r, y - r, 2 * r, 2 * r);
    else (ctx.moveTo(x, y - r), ctx.lineTo(x + r, y + r), ctx.lineTo(x - r, y + r), ctx.closePath());
    ctx.stroke();
  };
  const canvas = useCanvas(
    (ctx, width, height) => {
      const [left, right, top, bottom] = [AXIS_PX, 14, 10, 40];
      const scale = Math.log1p(most);
      const x = (value: number) => left + (Math.log1p(Math.min(value, most)) / scale) * (width - left - right);
      const events = Math.max(1, alarm.events);
      const y = (missed: number) => top + (1 - missed / (1.08 * events)) * (height - top - bottom);
      ctx.font = "12px 'Source Sans 3 Variable', sans-serif";
      ctx.fillStyle = colour("ink-2");
      ctx.strokeStyle = colour("rule");
      ctx.textAlign = "right";
      for (const at of ticks(0, events, 4).filter(Number.isInteger)) {
        ctx.beginPath(), ctx.moveTo(left, y(at)), ctx.lineTo(width - right, y(at)), ctx.stroke();
        ctx.fillText(String(at), left - 6, y(at) + 4);
      }
      ctx.textAlign = "center";
      for (const at of [0, 1, 2, 5, 10, 20, 50, 100, 200, 500].filter((one) => one <= most)) {
        ctx.beginPath(), ctx.moveTo(x(at), top), ctx.lineTo(x(at), height - bottom), ctx.stroke();
        ctx.fillText(String(at), x(at), height - bottom + 16);
      }
      ctx.fillText(alarm.burden, (left + width - right) / 2, height - 6);
      ctx.save();
      ctx.translate(12, (top + height - bottom) / 2);
      ctx.rotate(-Math.PI / 2);
      ctx.fillText(alarm.events ? `missed of ${alarm.events}` : "no true event", 0, 0);
      ctx.restore();
      ctx.strokeStyle = colour("grey");
      ctx.lineWidth = 1;
      told.forEach((pair) => shape(ctx, DELAYS.findIndex(([, fits]) => fits(pair.delay_s)), x(pair.burden), y(pair.missed), 2.6));
      const best = told.filter((pair) => pair.best).sort((a, b) => a.burden - b.burden);
      ctx.strokeStyle = colour("ink");
      ctx.lineWidth = 1.6;
      ctx.beginPath();
      best.forEach((pair, i) => (i ? ctx.lineTo(x(pair.burden), y(pair.missed)) : ctx.moveTo(x(pair.burden), y(pair.missed))));
      ctx.stroke();
      if (played) {
        ctx.fillStyle = colour("blue");
        ctx.beginPath();
        ctx.arc(x(played.burden), y(played.missed), 6.5, 0, 7);
        ctx.fill();
        ctx.font = "600 13px 'Source Sans 3 Variable', sans-serif";
        ctx.textAlign = x(played.burden) > width / 2 ? "right" : "left";
        ctx.fillText(`${then.limit} ${alarm.unit}, ${then.delay_s} s`, x(played.burden) + (ctx.textAlign === "right" ? -11 : 11), Math.max(top + 10, y(played.missed) - 9));
      }
    },
    [alarm, played, then],
  );
  return (
    <>
      <canvas ref={canvas} class="burden" role="img" aria-label={`${capital(alarm.burden)}, against missed events. ${said}`} />
      <p class="legend">{["○", "□", "△"].map((mark, i) => <span key={mark}>{mark} {DELAYS[i]![0]}</span>)}<span>● this limit</span></p>
    </>
  );
}

function Line({ ink }: { ink: string }) {
  return <svg width="26" height="8" aria-hidden="true"><line x1="0" x2="26" y1="4" y2="4" stroke={`var(--${ink})`} stroke-width="2" stroke-dasharray="5 3" /></svg>;
}

function Mark({ kind }: { kind: "sound" | "heard" | "missed" }) {
  return kind === "sound"
    ? <svg width="18" height="12" aria-hidden="true"><rect width="18" height="12" fill="var(--yellow-tint)" stroke="var(--edge)" /></svg>
    : <svg width="18" height="10" aria-hidden="true"><rect x="1" y="1" width="16" height="8" fill={kind === "heard" ? "var(--blue)" : "none"} stroke={kind === "heard" ? "var(--blue)" : "var(--red)"} stroke-width="1.5" /></svg>;
}
