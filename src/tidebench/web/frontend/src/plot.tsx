// A plot over time that lines up with its neighbours: same gutter, one crosshair, axes in the clock's words.
import { useLayoutEffect, useRef } from "preact/hooks";
import uPlot from "uplot";

import { colour, useTheme } from "./theme";
import { clock } from "./words";

export const AXIS_PX = 46;
export const RIGHT_PX = 20;
export const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200];

export interface PlotProps {
  label: string;
  data: uPlot.AlignedData;
  series: uPlot.Series[];
  bands?: uPlot.Band[];
  from: number;
  to: number;
  height: number;
  timeAxis: boolean;
  seconds?: boolean;
  range?: uPlot.Scale.Range;
  headroom?: number;
  sync?: string;
  onCursor?: (time: number | null) => void;
  onSelect?: (from: number, to: number) => void;
  onClick?: (time: number) => void;
  under?: (plot: uPlot) => void;
  over?: (plot: uPlot) => void;
}

export function timeAxis(shown: boolean, seconds = false): uPlot.Axis {
  return {
    show: true,
    size: shown ? 24 : 0,
    gap: 3,
    incrs: STEPS,
    space: 64,
    stroke: colour("ink-2"),
    font: "12px 'Source Sans 3 Variable', sans-serif",
    grid: { stroke: colour("rule"), width: 1 },
    ticks: { show: false },
    values: (_, splits, __, ___, step) => splits.map((at) => (!shown ? "" : seconds ? `${Number(at.toFixed(2))} s` : clock(at, step < 1 ? 1 : 0))),
  };
}

export function valueAxis(): uPlot.Axis {
  return {
    size: AXIS_PX,
    gap: 4,
    space: 20,
    stroke: colour("ink-2"),
    font: "12px 'Source Sans 3 Variable', sans-serif",
    grid: { stroke: colour("rule"), width: 1 },
    ticks: { show: false },
    values: (_, splits) => splits.map((at) => String(Number(at.toPrecision(6))).replace("-", "−")),
  };
}

export function Plot(props: PlotProps) {
  const box = useRef<HTMLDivElement>(null);
  const plot = useRef<uPlot | null>(null);
  const now = useRef(props);
  now.current = props;
  const theme = useTheme();

  useLayoutEffect(() => {
    const element = box.current!;
    const watch = new ResizeObserver(([entry]) => { // speaks first once the page is laid out: nothing asks for a layout of its own
      const width = Math.max(120, Math.floor(entry!.contentRect.width));
      if (!plot.current) plot.current = new uPlot(options(width, now), now.current.data, element);
      else if (width !== plot.current.width) plot.current.setSize({ width, height: now.current.height });
    });
    watch.observe(element);
    return () => {
      watch.disconnect();
      plot.current?.destroy();
      plot.current = null;
    };
  }, [theme, props.series.length, props.series.map((one) => one.label).join("|"), props.height, props.timeAxis]);

  useLayoutEffect(() => {
    const made = plot.current;
    if (!made) return;
    made.batch(() => {
      made.setData(props.data, false);
      made.setScale("x", { min: props.from, max: props.to });
    });
  }, [props.data, props.from, props.to, props.under, props.over]);

  return <div class="plot" ref={box} role="img" aria-label={props.label} />;
}

function options(width: number, now: { current: PlotProps }): uPlot.Options {
  const props = now.current;
  return {
    width,
    height: props.height,
    pxAlign: 0,
    padding: [6, RIGHT_PX, props.timeAxis ? 0 : 4, 0],
    legend: { show: false },
    scales: {
      x: { time: false, range: () => [now.current.from, now.current.to] },
      y: { range: props.range ?? { min: { pad: 0.08, soft: 0, mode: 2 }, max: { pad: props.headroom ?? 0.08, soft: 0, mode: 2 } } },
    },
    axes: [timeAxis(props.timeAxis, props.seconds), valueAxis()],
    series: [{}, ...props.series],
    bands: props.bands,
    cursor: {
      y: false,
      points: { size: 6, width: 1 },
      drag: { x: Boolean(props.onSelect), y: false, setScale: false, dist: 6 },
      ...(props.sync ? { sync: { key: props.sync, scales: ["x", null] } } : {}),
    },
    hooks: {
      ready: [(self) => self.over.addEventListener("click", () => now.current.onClick?.(self.posToVal(self.cursor.left ?? 0, "x")))], // a drag ends without one
      drawClear: [(self) => now.current.under?.(self)],
      draw: [(self) => now.current.over?.(self)],
      setCursor: [
        (self) => {
          const left = self.cursor.left ?? -1;
          now.current.onCursor?.(left < 0 ? null : self.posToVal(left, "x"));
        },
      ],
      setSelect: [
        (self) => {
          if (self.select.width < 4) return;
          const [from, to] = [self.posToVal(self.select.left, "x"), self.posToVal(self.select.left + self.select.width, "x")];
          self.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          now.current.onSelect?.(from, to);
        },
      ],
    },
  };
}
