// What the pictures of a case gave beside a recording: trends, loops, numbers that were noted.
import { useEffect, useState } from "preact/hooks";

import { caseUrl, get } from "./api";
import type { components } from "./schema";

type Told = components["schemas"]["PicturedTold"];
type Trend = Told["trends"][number];

const [WIDE, TALL] = [600, 120];

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

function Line({ trend }: { trend: Trend }) {
  const [first, last] = [trend.hours[0]!, trend.hours.at(-1)!];
  const [low, high] = [Math.min(...trend.values), Math.max(...trend.values)];
  const points = trend.hours.map((hour, i) => `${((hour - first) / (last - first || 1)) * WIDE},${TALL - 4 - ((trend.values[i]! - low) / (high - low || 1)) * (TALL - 8)}`);
  return (
    <svg viewBox={`0 0 ${WIDE} ${TALL}`} width="100%" role="img" aria-label={trend.words}>
      <polyline points={points.join(" ")} fill="none" stroke="currentColor" stroke-width="1.5" />
    </svg>
  );
}
