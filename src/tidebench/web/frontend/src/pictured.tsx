// What the pictures of a case gave beside a recording: trends, loops, numbers that were noted.
import { useEffect, useState } from "preact/hooks";

import { caseUrl, get } from "./api";
import type { components } from "./schema";

type Told = components["schemas"]["PicturedTold"];
type Trend = Told["trends"][number];

const [WIDE, TALL] = [600, 140];
const [LEFT, HEAD, FOOT] = [80, 8, 22];
const figure = (value: number): string => String(Number(value.toPrecision(3))).replace("-", "−");

export function Pictured({ name }: { name: string }) {
  const [told, setTold] = useState<Told | null>(null);
  useEffect(() => void get<Told>(`${caseUrl(name)}/pictured`).then(setTold, () => setTold(null)), [name]);
  if (!told || !(told.trends.length + told.loops.length + told.noted.length)) return null;
  return (
    <section class="sheet stack" aria-labelledby="pictured">
      <h2 id="pictured">What its pictures gave</h2>
      {told.trends.map((trend, i) => (
        <figure key={i} style={{ margin: 0 }}>
          <Line trend={trend} />
          <figcaption class="small">{trend.words}</figcaption>
        </figure>
      ))}
      <ul>{[...told.loops, ...told.noted].map((words, i) => <li key={i}>{words}</li>)}</ul>
    </section>
  );
}

/** The trend between its lowest and highest value, which stand at its left; hours stand beneath it. */
function Line({ trend }: { trend: Trend }) {
  const [first, last] = [trend.hours[0]!, trend.hours.at(-1)!];
  const [low, high] = [Math.min(...trend.values), Math.max(...trend.values)];
  const x = (hour: number) => LEFT + ((hour - first) / (last - first || 1)) * (WIDE - LEFT);
  const y = (value: number) => TALL - FOOT - ((value - low) / (high - low || 1)) * (TALL - FOOT - HEAD);
  const rules = high > low ? [low, high] : [low];
  const text = { fill: "currentColor", "font-size": 11 };
  return (
    <svg viewBox={`0 0 ${WIDE} ${TALL}`} width="100%" style={{ maxWidth: `${WIDE * 1.3}px` }} role="img" aria-label={trend.words}>
      {rules.map((value) => (
        <g key={value}>
          <line x1={LEFT} x2={WIDE} y1={y(value)} y2={y(value)} stroke="var(--edge)" stroke-width="0.5" />
          <text {...text} x={LEFT - 5} y={y(value) + 4} text-anchor="end">{figure(value)}</text>
        </g>
      ))}
      <text {...text} x={0} y={(TALL - FOOT + HEAD) / 2 + 4}>{trend.unit}</text>
      <text {...text} x={LEFT} y={TALL - 3}>{figure(first)} h</text>
      <text {...text} x={WIDE} y={TALL - 3} text-anchor="end">{figure(last)} h</text>
      <polyline points={trend.hours.map((hour, i) => `${x(hour)},${y(trend.values[i]!)}`).join(" ")} fill="none" stroke="currentColor" stroke-width="1.5" />
    </svg>
  );
}
