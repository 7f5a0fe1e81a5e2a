// The waveforms of a lesson: breaths shaded and numbered, breaths that are marked, stretches that are pointed at.
import { useCallback, useEffect, useId, useMemo, useRef, useState } from "preact/hooks";
import type uPlot from "uplot";

import { valueAt } from "./detail";
import { fill, type Pattern } from "./draw";
import { useKeys } from "./keys";
import type { LessonFigure } from "./lessonapi";
import { breathAt, grouped, type Grouped } from "./lessonwords";
import { Plot } from "./plot";
import { inside, moved, zoomed, type Stretch } from "./stretch";
import { colour } from "./theme";
import { capital } from "./words";

type Channel = LessonFigure["channels"][number];
const NARROW_PX = 24;
const WIDE = 0.3; // of what is seen: a stretch as wide is told by a bar, so that the curves stay in sight
const BAR_PX = 8;

/** What was missed or is wrong stands out; everything else is only shown. */
const pattern = (text: string): [name: string, pattern: Pattern] => (text.startsWith("missed") ? ["red", "falling"] : text.startsWith("not ") ? ["yellow", "dots"] : ["blue", "rising"]);

interface Props {
  figure: LessonFigure;
  marked?: Set<number>;
  toggle?: (breath: number) => void;
  runs?: boolean;
  tell?: (time: number | null) => void;
  small?: boolean;
}

export function Waves({ figure, marked, toggle, runs = false, tell, small = false }: Props) {
  const [first, last] = [figure.time_s[0] ?? 0, figure.time_s.at(-1) ?? 1];
  const [seen, setSeen] = useState<Stretch>({ from: first, to: last });
  const [cursor, setCursor] = useState<number | null>(null);
  const [until, setUntil] = useState<number | null>(null);
  const sync = useId();
  const groups = useMemo(() => grouped(figure.pointed), [figure]);
  const whole = seen.from <= first && seen.to >= last;
  const see = useCallback((wanted: Stretch) => {
    const kept = inside({ from: wanted.from - first, to: wanted.to - first }, last - first);
    setSeen({ from: kept.from + first, to: kept.to + first });
  }, [first, last]);
  const shifted = (by: (one: Stretch, end: number) => Stretch) => {
    const next = by({ from: seen.from - first, to: seen.to - first }, last - first);
    setSeen({ from: next.from + first, to: next.to + first });
  };
  const running = useRunning(first, last, until, (time) => (setUntil(time), tell?.(time)));
  useKeys(
    [
      { keys: ["+"], group: "Curves", words: "Closer", act: () => shifted((one, end) => zoomed(one, 0.5, end)) },
      { keys: ["-"], group: "Curves", words: "Further", act: () => shifted((one, end) => zoomed(one, 2, end)) },
      { keys: ["w"], group: "Curves", words: "The whole stretch", act: () => setSeen({ from: first, to: last }) },
      { keys: ["Shift+ArrowLeft"], group: "Curves", words: "Move back", act: () => shifted((one, end) => moved(one, -0.5, end)) },
      { keys: ["Shift+ArrowRight"], group: "Curves", words: "Move on", act: () => shifted((one, end) => moved(one, 0.5, end)) },
      ...(runs ? [{ keys: ["p"], group: "Curves", words: "Let it run, or stop it", act: running.toggle }] : []),
    ],
    [seen, figure, runs, running.going, until],
  );
  const under = useCallback((plot: uPlot) => shade(plot, figure, marked, groups), [figure, marked, groups]);
  const over = useCallback((plot: uPlot) => {
    letters(plot, groups);
    if (until !== null) cover(plot, until);
  }, [groups, until]);
  const pick = toggle && ((time: number) => {
    const breath = breathAt(figure.breaths, time);
    if (breath !== null) toggle(breath);
  });
  return (
    <div class="waves">
      <div class="row wave-tools">
        {runs && <button onClick={running.toggle}>{running.going ? "Stop" : "Let it run"} <kbd>p</kbd></button>}
        {runs && until !== null && <button class="plain" onClick={running.whole}>Show it whole</button>}
        <span class="grow small quiet">{figure.caption}</span>
        <button class="plain small" onClick={() => shifted((one, end) => zoomed(one, 0.5, end))}>Closer <kbd>+</kbd></button>
        <button class="plain small" disabled={whole} onClick={() => shifted((one, end) => zoomed(one, 2, end))}>Further <kbd>−</kbd></button>
        <button class="plain small" disabled={whole} onClick={() => setSeen({ from: first, to: last })}>Whole <kbd>w</kbd></button>
      </div>
      <Numbers figure={figure} seen={seen} marked={marked} toggle={toggle} />
      {figure.channels.map((channel, i) => (
        <Lane key={channel.key} channel={channel} time={figure.time_s} seen={seen} first={i === 0} last={i === figure.channels.length - 1} small={small}
          cursor={cursor} under={under} over={over} sync={sync} follow={setCursor} see={see} pick={pick} title={figure.title} />
      ))}
      <Legend figure={figure} groups={groups} />
      <details class="small">
        <summary>The same as a table</summary>
        <div class="scroll">
          <table class="small"><thead><tr>{figure.heads.map((head) => <th key={head} scope="col" class="num">{head}</th>)}</tr></thead>
            <tbody>{figure.rows.map((row) => <tr key={row[0]}>{row.map((cell, k) => <td key={k} class="num">{cell.replace(/^-/, "−")}</td>)}</tr>)}</tbody></table>
        </div>
      </details>
    </div>
  );
}

/** A moment that moves on at the pace of the clock until the end. */
function useRunning(first: number, last: number, until: number | null, set: (time: number | null) => void) {
  const [going, setGoing] = useState(false);
  const at = useRef(until);
  at.current = until;
  useEffect(() => {
    if (!going) return;
    let [frame, before] = [0, performance.now()];
    const move = (now: number) => {
      const next = (at.current ?? first) + (now - before) / 1000;
      before = now;
      if (next >= last) {
        setGoing(false);
        return set(null);
      }
      set((at.current = next));
      frame = requestAnimationFrame(move);
    };
    frame = requestAnimationFrame(move);
    return () => cancelAnimationFrame(frame);
  }, [going]);
  return {
    going,
    toggle: () => {
      if (!going && at.current === null) set(first);
      setGoing(!going);
    },
    whole: () => {
      setGoing(false);
      set(null);
    },
  };
}

/** Breaths by their numbers above the curves; where they can be marked, each is a button. */
function Numbers({ figure, seen, marked, toggle }: Pick<Props, "figure" | "marked" | "toggle"> & { seen: Stretch }) {
  const box = useRef<HTMLDivElement>(null);
  const [wide, setWide] = useState(0);
  useEffect(() => {
    const watch = new ResizeObserver(() => setWide(box.current?.clientWidth ?? 0));
    watch.observe(box.current!);
    return () => watch.disconnect();
  }, []);
  const x = (time: number) => (time - seen.from) / (seen.to - seen.from);
  const shown = figure.breaths.filter((one) => one.end_s > seen.from && one.start_s < seen.to);
  const room = shown.length ? wide / shown.length : 0;
  const step = (by: 1 | -1) => {
    const buttons = [...(box.current?.querySelectorAll<HTMLElement>("button") ?? [])];
    const now = buttons.indexOf(document.activeElement as HTMLElement);
    buttons[now < 0 ? (by > 0 ? 0 : buttons.length - 1) : Math.min(buttons.length - 1, Math.max(0, now + by))]?.focus();
  };
  useKeys(
    toggle
      ? [
          { keys: ["ArrowRight"], group: "Breaths", words: "To the next breath", act: () => step(1) },
          { keys: ["ArrowLeft"], group: "Breaths", words: "To the breath before", act: () => step(-1) },
        ]
      : [],
    [Boolean(toggle)],
  );
  return (
    <div class={toggle ? "breath-numbers markable" : "breath-numbers"} ref={box} role={toggle ? "group" : undefined} aria-label={toggle ? "Breaths: press the ones that are to be marked" : undefined} aria-hidden={toggle ? undefined : "true"}>
      {shown.map((one, i) => {
        const style = { left: `${100 * Math.max(0, x(one.start_s))}%`, width: `${100 * (Math.min(1, x(one.end_s)) - Math.max(0, x(one.start_s)))}%` };
        const chosen = marked?.has(one.number) ?? false;
        if (!toggle) return room > NARROW_PX || i % Math.ceil(NARROW_PX / Math.max(1, room)) === 0 ? <span key={one.number} style={style} class={chosen ? "chosen" : undefined}>{chosen ? `✓${one.number}` : one.number}</span> : null;
        return <button key={one.number} style={style} aria-pressed={chosen} aria-label={`Breath ${one.number}`} onClick={() => toggle(one.number)}>{chosen ? "✓" : ""}{one.number}</button>;
      })}
    </div>
  );
}

interface LaneProps {
  channel: Channel;
  time: number[];
  seen: Stretch;
  first: boolean;
  last: boolean;
  small: boolean;
  cursor: number | null;
  under: (plot: uPlot) => void;
  over: (plot: uPlot) => void;
  sync: string;
  follow: (time: number | null) => void;
  see: (stretch: Stretch) => void;
  pick: ((time: number) => void) | undefined;
  title: string;
}

export function Lane({ channel, time, seen, first, last, small, cursor, under, over, sync, follow, see, pick, title }: LaneProps) {
  const data = useMemo(() => [time, channel.values] as uPlot.AlignedData, [time, channel.values]);
  const series = useMemo<uPlot.Series[]>(() => [{ label: channel.key, stroke: () => colour(channel.hidden ? "red" : "ink"), width: 1.5, dash: channel.hidden ? [6, 4] : undefined, points: { show: false }, spanGaps: false }], [channel.key, channel.hidden]);
  const value = cursor === null ? null : valueAt({ time, values: channel.values }, cursor);
  const [words, unit] = parted(channel.heading);
  return (
    <div class="lane">
      <div class="name">
        <b>{capital(words)}</b>
        <div class="quiet">{unit}{channel.hidden && ", the truth: no sensor shows it"}</div>
        <span class="now">{value === null ? "" : value.toFixed(1).replace("-", "−")}</span>
      </div>
      <Plot label={`${words} over time: ${title}`} data={data} series={series} from={seen.from} to={seen.to} height={(small ? 90 : first ? 190 : 140) + (last ? 24 : 0)} timeAxis={last} seconds sync={sync}
        under={under} over={over} onCursor={first ? follow : undefined} onSelect={(from, to) => see({ from, to })} onClick={pick} />
    </div>
  );
}

/** A heading such as "Flow [L/min]" as words and unit. */
export function parted(heading: string): [words: string, unit: string] {
  const found = /^(.*?)\s*\[(.*)\]$/.exec(heading);
  return found ? [found[1]!, found[2]!] : [heading, ""];
}

function shade(plot: uPlot, figure: LessonFigure, marked: Set<number> | undefined, groups: Grouped[]): void {
  const { ctx } = plot;
  const block = blocks(plot);
  ctx.save();
  ctx.fillStyle = colour("breath");
  for (const one of figure.breaths) block(one.start_s, one.turn_s);
  for (const one of figure.breaths) {
    if (!marked?.has(one.number)) continue;
    ctx.fillStyle = fill(ctx, "blue", "rising");
    ctx.globalAlpha = 0.55;
    block(one.start_s, one.end_s);
    ctx.globalAlpha = 1;
  }
  ctx.globalAlpha = 0.6;
  const seen = plot.scales.x!.max! - plot.scales.x!.min!;
  for (const group of groups) {
    ctx.fillStyle = fill(ctx, ...pattern(group.text));
    for (const span of group.spans) block(span.start_s, span.end_s, span.end_s - span.start_s > WIDE * seen ? BAR_PX * devicePixelRatio : undefined);
  }
  ctx.restore();
}

function blocks(plot: uPlot): (from: number, to: number, height?: number) => void {
  const { ctx, bbox } = plot;
  const x = (time: number) => Math.min(Math.max(plot.valToPos(time, "x", true), bbox.left), bbox.left + bbox.width);
  return (from, to, height = bbox.height) => x(to) > x(from) && ctx.fillRect(x(from), bbox.top, x(to) - x(from), height);
}

function letters(plot: uPlot, groups: Grouped[]): void {
  const { ctx, bbox } = plot;
  const ratio = devicePixelRatio;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.font = `700 ${12 * ratio}px 'Source Sans 3 Variable', sans-serif`;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  for (const group of groups) {
    for (const span of group.spans) {
      const [x, y] = [plot.valToPos((span.start_s + span.end_s) / 2, "x", true), bbox.top + 10 * ratio];
      ctx.fillStyle = colour("sheet");
      ctx.beginPath();
      ctx.arc(x, y, 8 * ratio, 0, 7);
      ctx.fill();
      ctx.fillStyle = colour("ink");
      ctx.fillText(group.letter, x, y);
    }
  }
  ctx.restore();
}

/** What has not been yet. */
function cover(plot: uPlot, until: number): void {
  const { ctx } = plot;
  ctx.save();
  ctx.fillStyle = colour("sheet");
  blocks(plot)(until, plot.scales.x!.max!);
  ctx.restore();
}

function Legend({ figure, groups }: { figure: LessonFigure; groups: Grouped[] }) {
  if (!figure.breaths.length && !groups.length) return null;
  return (
    <p class="legend">
      {figure.breaths.length > 0 && <span><i class="swatch" style={{ background: "var(--breath)" }} />inspiration</span>}
      {groups.map((group) => <span key={group.letter}><b>{group.letter}</b> {group.text}</span>)}
    </p>
  );
}
