// The picture with everything that is said of it: panels, marks, traced curves; handles for mouse and keyboard, a pen, a magnifier.
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";

import type { components } from "./schema";
import { clockOf, moved, panelUnder, placeOf, thinned, within, type Correction, type Doc, type Panel, type Part, type Point, type Size } from "./picstate";

export type Traced = components["schemas"]["TracedTold"];
export type Tool = "move" | "erase" | "draw" | "colour" | "add";

interface Props {
  src: string;
  size: Size;
  doc: Doc;
  chosen: number;
  choose: (id: number) => void;
  change: (doc: Doc, tag?: string) => void;
  traced: Traced | null;
  shown: boolean;
  zoom: number;
  tool: Tool;
  done: () => void;
  mend: (correction: Correction) => void;
  box: (box: [number, number, number, number]) => void;
  picked: (colour: string) => void;
  labels: (panel: Panel) => string;
  corners: Point[] | null;
  cornered: (points: Point[]) => void;
}

const STEPS: Record<string, Point> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const PART_WORDS: Record<Part, string> = { whole: "", left: "left edge", top: "upper edge", right: "right edge", bottom: "lower edge", value0: "first mark of the value axis", value1: "second mark of the value axis", time0: "first mark of the time axis", time1: "second mark of the time axis" };
const UPRIGHT: Part[] = ["top", "bottom", "value0", "value1"];

/** By how many pixels a key moves: one, ten with Shift, a quarter with Alt. */
export function stepOf(event: Pick<KeyboardEvent, "key" | "shiftKey" | "altKey">): Point | null {
  const step = STEPS[event.key];
  const times = event.shiftKey ? 10 : event.altKey ? 0.25 : 1;
  return step ? [step[0] * times, step[1] * times] : null;
}

export function Stage(props: Props) {
  const { src, size, doc, chosen, choose, change, traced, shown, zoom, tool, labels, corners } = props;
  const [wide, tall] = size;
  const box = useRef<HTMLDivElement>(null);
  const image = useRef<HTMLImageElement>(null);
  const [near, setNear] = useState<Point | null>(null);
  const [stroke, setStroke] = useState<Point[]>([]);
  const latest = useRef(doc);
  latest.current = doc;
  const panel = doc.panels.find((one) => one.id === chosen);
  const pens = tool === "erase" || tool === "draw" || tool === "colour";
  useEffect(() => setStroke([]), [tool, chosen]);

  const pointOf = (event: PointerEvent): Point => {
    const { left, top, width } = box.current!.getBoundingClientRect();
    const scale = width / wide;
    return [(event.clientX - left) / scale - 0.5, (event.clientY - top) / scale - 0.5];
  };
  const at = ([x, y]: Point) => ({ left: `${(100 * (x + 0.5)) / wide}%`, top: `${(100 * (y + 0.5)) / tall}%` });

  const finish = (points: Point[], on: Panel) => {
    setStroke([]);
    if (tool === "colour") {
      const end = points.at(-1);
      if (end) props.picked(colourAt(image.current!, end));
    } else if (tool === "erase" || tool === "draw") {
      props.mend({ panel: on.id, kind: tool, points: tool === "draw" ? thinned(points) : [points[0]!, points.at(-1)!] });
    }
  };

  const down = (event: PointerEvent) => {
    if (event.button !== 0 || corners) return;
    const point = pointOf(event);
    if (tool === "add") {
      (event.currentTarget as Element).setPointerCapture(event.pointerId);
      setStroke([point]);
      event.preventDefault();
      return;
    }
    const on = panelUnder(doc, point);
    if (!on) return;
    choose(on.id);
    if (!pens) return;
    event.preventDefault();
    (event.currentTarget as Element).setPointerCapture(event.pointerId);
    setTimeout(() => setStroke([within(on.box, point)]), 0);
  };
  const drag = (event: PointerEvent) => {
    const point = pointOf(event);
    if (pens || tool === "add") setNear(point);
    if (!(event.buttons & 1) || !stroke.length) return;
    setStroke((before) => [...before, tool === "add" ? point : within(panel?.box ?? [0, 0, wide, tall], point)]);
  };
  const up = () => {
    if (!stroke.length) return;
    if (tool === "add") {
      const [[a, b], [c, d]] = [stroke[0]!, stroke.at(-1)!];
      setStroke([]);
      const whole = [Math.min(a, c), Math.min(b, d), Math.max(a, c), Math.max(b, d)].map(Math.round) as [number, number, number, number];
      if (whole[2] - whole[0] >= 16 && whole[3] - whole[1] >= 16) props.box(whole);
      return;
    }
    if (panel) finish(stroke, panel);
  };

  const order: Part[] = ["left", "top", "right", "bottom", "value0", "value1", ...(panel && clockOf(doc, panel).way === "sweep" && panel.kind === "curve" ? [] : (["time0", "time1"] as const))];
  const number = (one: Panel) => 1 + doc.panels.indexOf(one);
  const move = (id: number, part: Part, from: Doc) => (dx: number, dy: number) => change(moved(from, id, part, dx, dy, size), `${id}.${part}`);
  return (
    <div class="stage-scroll" tabIndex={0} role="region" aria-label="The picture">
      <div ref={box} class={`stage tool-${tool}`} style={{ width: `${100 * zoom}%`, aspectRatio: `${wide} / ${tall}` }}>
        <img ref={image} src={src} alt="The picture, with its panels drawn over it" draggable={false} />
        <svg viewBox={`-0.5 -0.5 ${wide} ${tall}`} preserveAspectRatio="none" aria-hidden="true" onPointerDown={down} onPointerMove={drag} onPointerUp={up} onPointerLeave={() => setNear(null)}>
          {!corners && doc.panels.map((one) => {
            const [left, top, right, bottom] = one.box;
            const state = `${one.id === chosen ? "chosen" : ""} ${one.confirmed ? "sure" : "proposed"}`;
            return (
              <g key={one.id}>
                <rect class="under" x={left} y={top} width={Math.max(0, right - left)} height={Math.max(0, bottom - top)} />
                <rect class={`frame ${state}`} x={left} y={top} width={Math.max(0, right - left)} height={Math.max(0, bottom - top)} />
                {one.id === chosen && !pens && one.values.map((mark, i) => <line key={i} class="mark-line" x1={left} x2={right} y1={mark.at} y2={mark.at} />)}
                {one.id === chosen && !pens && order.includes("time0") && clockOf(doc, one).marks.map((mark, i) => <line key={i} class="mark-line" x1={mark.at} x2={mark.at} y1={top} y2={bottom} />)}
              </g>
            );
          })}
          {shown && traced?.curves.map((curve) => <Curve key={curve.quantity} curve={curve} />)}
          {shown && traced?.loops.map((loop, i) => <g key={i}><polyline class="halo" points={loop.points.map((p) => p.join(",")).join(" ")} /><polyline class="traced" points={loop.points.map((p) => p.join(",")).join(" ")} /></g>)}
          {tool === "erase" && panel && stroke.length > 0 && (
            <rect class="erasing" x={Math.min(stroke[0]![0], stroke.at(-1)![0])} y={panel.box[1]} width={Math.abs(stroke.at(-1)![0] - stroke[0]![0])} height={panel.box[3] - panel.box[1]} />
          )}
          {tool === "add" && stroke.length > 1 && (
            <rect class="frame chosen proposed" x={Math.min(stroke[0]![0], stroke.at(-1)![0])} y={Math.min(stroke[0]![1], stroke.at(-1)![1])} width={Math.abs(stroke.at(-1)![0] - stroke[0]![0])} height={Math.abs(stroke.at(-1)![1] - stroke[0]![1])} />
          )}
          {tool === "draw" && stroke.length > 0 && <><polyline class="halo" points={stroke.map((p) => p.join(",")).join(" ")} /><polyline class="drawing" points={stroke.map((p) => p.join(",")).join(" ")} /></>}
          {corners && <><polygon class="under" points={corners.map((p) => p.join(",")).join(" ")} /><polygon class="frame chosen" points={corners.map((p) => p.join(",")).join(" ")} /></>}
        </svg>
        {!corners && doc.panels.map((one) => (
          <Handle key={`${one.id}.whole`} id={`panel-${one.id}`} cls={`tag ${one.id === chosen ? "chosen" : ""} ${one.confirmed ? "sure" : "proposed"}`} style={at(placeOf(doc, one, "whole"))} label={`Panel ${number(one)}, ${labels(one)}, ${one.confirmed ? "confirmed" : "proposed"}`} now={one.box[0]} most={wide}
            scale={() => box.current!.getBoundingClientRect().width / wide} begin={() => (choose(one.id), move(one.id, "whole", latest.current))} near={() => undefined}>
            {number(one)} {labels(one)} <span aria-hidden="true">{one.confirmed ? "✓" : "?"}</span>
          </Handle>
        ))}
        {!corners && panel && !pens && order.map((part) => {
          const place = placeOf(doc, panel, part);
          const figure = part.startsWith("value") ? panel.values[Number(part.at(-1))]!.value : part.startsWith("time") ? clockOf(doc, panel).marks[Number(part.at(-1))]!.value : "";
          const mark = part.startsWith("value") || part.startsWith("time");
          return (
            <Handle key={`${panel.id}.${part}`} id={`part-${part}`} cls={mark ? `mark ${part.slice(0, -1)}` : `edge edge-${part}`} style={at(place)} label={`${PART_WORDS[part]} of panel ${number(panel)}`} now={UPRIGHT.includes(part) ? place[1] : place[0]} most={UPRIGHT.includes(part) ? tall : wide} upright={UPRIGHT.includes(part)}
              words={mark ? `${UPRIGHT.includes(part) ? "row" : "column"} ${UPRIGHT.includes(part) ? place[1] : place[0]}${figure ? `, stands for ${figure}` : ", no figure yet"}` : undefined}
              scale={() => box.current!.getBoundingClientRect().width / wide} begin={() => move(panel.id, part, latest.current)} near={(on) => setNear(on ? place : null)}>
              {mark ? figure || "?" : ""}
            </Handle>
          );
        })}
        {corners?.map((corner, i) => (
          <Handle key={i} id={`corner-${i}`} cls="corner" style={at(corner)} label={`${["Upper left", "Upper right", "Lower right", "Lower left"][i]} corner`} now={corner[0]} most={wide} words={`column ${corner[0]}, row ${corner[1]}`}
            scale={() => box.current!.getBoundingClientRect().width / wide} near={(on) => setNear(on ? corner : null)}
            begin={() => {
              const from = corners;
              return (dx, dy) => props.cornered(from.map((one, k) => (k === i ? within([0, 0, wide - 1, tall - 1], [one[0] + dx, one[1] + dy]) : one)));
            }} />
        ))}
        {pens && panel && <Pen key={`${tool}.${chosen}`} panel={panel} tool={tool} at={at} stroke={stroke} setStroke={setStroke} finish={(points) => finish(points, panel)} cancel={() => (stroke.length ? setStroke([]) : props.done())} near={setNear} begin={startOf(panel, traced, doc)} />}
        {near && <Loupe image={image.current} point={near} size={size} style={at(near)} />}
      </div>
    </div>
  );
}

/** Where the pen is put first: on the curve at the middle of its panel. */
function startOf(panel: Panel, traced: Traced | null, doc: Doc): Point {
  const [left, top, right, bottom] = panel.box;
  const [x, y] = [Math.round((left + right) / 2), Math.round((top + bottom) / 2)];
  const curve = traced?.curves.find((one) => one.quantity === panel.quantity && doc.panels.includes(panel));
  const place = curve ? curve.column.findIndex((column) => column >= x) : -1;
  const row = place >= 0 ? curve!.row[place] : null;
  return [x, row === null || row === undefined ? y : Math.round(row)];
}

function Curve({ curve }: { curve: Traced["curves"][number] }) {
  const runs: Point[][] = [];
  const bands: { up: Point[]; down: Point[] }[] = [];
  let open = false;
  curve.column.forEach((x, i) => {
    const [row, low, high] = [curve.row[i], curve.low[i], curve.high[i]];
    if (row == null || low == null || high == null) {
      open = false;
      return;
    }
    if (!open) (runs.push([]), bands.push({ up: [], down: [] }), (open = true));
    runs.at(-1)!.push([x, row]);
    bands.at(-1)!.up.push([x, high]);
    bands.at(-1)!.down.push([x, low]);
  });
  const words = (points: Point[]) => points.map((point) => point.join(",")).join(" ");
  return (
    <g>
      {bands.map((band, i) => <polygon key={`b${i}`} class="band" points={words([...band.up, ...band.down.reverse()])} />)}
      {runs.map((run, i) => <polyline key={`h${i}`} class="halo" points={words(run)} />)}
      {runs.map((run, i) => <polyline key={`l${i}`} class="traced" points={words(run)} />)}
      {curve.turns.map(([x, y], i) => <path key={`t${i}`} class="turn" d={`M${x},${y - 4}l4,-9l-8,0z`} />)}
    </g>
  );
}

interface HandleProps {
  id: string;
  cls: string;
  style: Record<string, string>;
  label: string;
  now: number;
  most: number;
  upright?: boolean;
  words?: string;
  scale: () => number;
  begin: () => (dx: number, dy: number) => void;
  near: (on: boolean) => void;
  children?: preact.ComponentChildren;
}

/** Something on the picture that is dragged by mouse, or moved by arrow keys once it has the focus. */
function Handle({ id, cls, style, label, now, most, upright, words, scale, begin, near, children }: HandleProps) {
  const held = useRef<{ x: number; y: number; move: (dx: number, dy: number) => void } | null>(null);
  const drag = (event: PointerEvent) => {
    if (!held.current || !(event.buttons & 1)) return;
    const by = scale();
    const round = (value: number) => Math.round((2 * value) / by) / 2;
    held.current.move(round(event.clientX - held.current.x), round(event.clientY - held.current.y));
    near(true);
  };
  const keys = (event: KeyboardEvent) => {
    const step = stepOf(event);
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    begin()(step[0], step[1]);
    near(true);
  };
  return (
    <div id={id} class={`handle ${cls}`} style={style} role="slider" tabIndex={0} aria-label={label} aria-orientation={upright ? "vertical" : "horizontal"} aria-valuemin={0} aria-valuemax={most} aria-valuenow={now} aria-valuetext={words}
      onPointerDown={(event) => {
        if (event.button !== 0) return;
        event.preventDefault();
        event.currentTarget.setPointerCapture(event.pointerId);
        event.currentTarget.focus({ preventScroll: true });
        held.current = { x: event.clientX, y: event.clientY, move: begin() };
      }}
      onPointerMove={drag} onPointerUp={() => (held.current = null)} onKeyDown={keys} onFocus={() => near(true)} onBlur={() => near(false)}>
      {children}
    </div>
  );
}

interface PenProps {
  panel: Panel;
  tool: Tool;
  at: (point: Point) => Record<string, string>;
  stroke: Point[];
  setStroke: (points: Point[]) => void;
  finish: (points: Point[]) => void;
  cancel: () => void;
  near: (point: Point | null) => void;
  begin: Point;
}

const PEN_WORDS: Partial<Record<Tool, string>> = { erase: "Eraser: Space begins, Enter erases to here", draw: "Pen: Space puts a point, Enter ends the line", colour: "Dropper: Enter takes the colour" };

/** The keyboard's way to erase, draw or pick a colour. */
function Pen({ panel, tool, at, stroke, setStroke, finish, cancel, near, begin }: PenProps) {
  const [place, setPlace] = useState<Point>(begin);
  const [fixed, setFixed] = useState<Point[]>([]);
  const pen = useRef<HTMLDivElement>(null);
  useEffect(() => pen.current?.focus({ preventScroll: true }), []);
  useEffect(() => {
    if (!stroke.length) setFixed([]);
  }, [stroke.length]);
  const keys = (event: KeyboardEvent) => {
    const step = stepOf(event);
    if (!step && ![" ", "Enter", "Escape"].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    if (step) {
      const next = within(panel.box, [place[0] + step[0], place[1] + step[1]]);
      setPlace(next);
      near(next);
      if (fixed.length) setStroke([...fixed, next]);
    } else if (event.key === "Escape") cancel();
    else if (event.key === " ") {
      const points = [...fixed, place];
      setFixed(points);
      setStroke(points);
    } else {
      setFixed([]);
      finish([...fixed, place]);
    }
  };
  return (
    <div ref={pen} class="handle pen" style={at(place)} role="slider" tabIndex={0} aria-label={PEN_WORDS[tool]} aria-valuemin={panel.box[0]} aria-valuemax={panel.box[2]} aria-valuenow={place[0]} aria-valuetext={`column ${place[0]}, row ${place[1]}${fixed.length ? `, ${fixed.length} points` : ""}`}
      onKeyDown={keys} onBlur={() => near(null)} />
  );
}

const SEEN = 21;
const TIMES = 8;

/** A few pixels, eight times as large. */
function Loupe({ image, point, size, style }: { image: HTMLImageElement | null; point: Point; size: Size; style: Record<string, string> }) {
  const canvas = useRef<HTMLCanvasElement>(null);
  useLayoutEffect(() => {
    const ctx = canvas.current?.getContext("2d");
    if (!ctx || !image?.naturalWidth) return;
    const [x, y] = point;
    const half = SEEN / 2;
    ctx.imageSmoothingEnabled = false;
    ctx.fillStyle = "#808080";
    ctx.fillRect(0, 0, SEEN * TIMES, SEEN * TIMES);
    ctx.drawImage(image, x + 0.5 - half, y + 0.5 - half, SEEN, SEEN, 0, 0, SEEN * TIMES, SEEN * TIMES);
    for (const [colour, wide] of [["#ffffff", 3], ["#d55e00", 1]] as const) {
      ctx.strokeStyle = colour;
      ctx.lineWidth = wide;
      ctx.beginPath();
      ctx.moveTo(half * TIMES, 0), ctx.lineTo(half * TIMES, SEEN * TIMES);
      ctx.moveTo(0, half * TIMES), ctx.lineTo(SEEN * TIMES, half * TIMES);
      ctx.stroke();
    }
  }, [image, point[0], point[1]]);
  const side = `${point[0] > size[0] * 0.7 ? "to-left" : ""} ${point[1] > size[1] * 0.65 ? "upwards" : ""}`;
  return <canvas ref={canvas} class={`loupe ${side}`} width={SEEN * TIMES} height={SEEN * TIMES} style={style} aria-hidden="true" />;
}

function colourAt(image: HTMLImageElement, [x, y]: Point): string {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 1;
  const ctx = canvas.getContext("2d")!;
  ctx.drawImage(image, Math.round(x), Math.round(y), 1, 1, 0, 0, 1, 1);
  return `#${[...ctx.getImageData(0, 0, 1, 1).data.slice(0, 3)].map((part) => part.toString(16).padStart(2, "0")).join("")}`;
}
