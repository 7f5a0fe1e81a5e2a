// Every number can be asked: what it is, after whom, and why it is missing.
import { useState } from "preact/hooks";

import type { Quantity } from "./api";
import { capital } from "./words";

interface Props {
  label: string;
  value: string;
  state?: string;
  more?: string;
  reason?: string;
  from?: string;
  words?: string;
  quantity: Quantity | undefined;
}

export function Ask({ label, value, state, more, reason, from, words, quantity }: Props) {
  const [open, setOpen] = useState(false);
  return (
    <li>
      <button class="ask" aria-expanded={open} onClick={() => setOpen(!open)}>
        <span>{capital(label)}</span>
        <span class="value">{value}{state && <span class={HEAVY.includes(state) ? "state heavy" : "state"}>{state}</span>}</span>
        {(more || reason) && <span class="more">{reason ? capital(reason) : more}</span>}
      </button>
      {open && (
        <div class="answer">
          <p>{quantity?.definition ?? (words || "Nothing more is known of it.")}</p>
          <dl>
            {quantity && <><dt>after</dt><dd>{quantity.source}</dd></>}
            {from && <><dt>from</dt><dd>{from}</dd></>}
            {quantity && <><dt>plausible</dt><dd>{plausible(quantity)}</dd></>}
            {reason && <><dt>missing, because</dt><dd>{reason}</dd></>}
          </dl>
        </div>
      )}
    </li>
  );
}

const HEAVY = ["not met", "not passed", "crossed"];

function plausible(quantity: Quantity): string {
  const [low, high] = quantity.plausible.map((edge) => (quantity.percent ? 100 * edge! : edge!));
  return `${low} to ${high} ${quantity.percent ? "%" : quantity.unit}, preterm to adult`.replace(/\s+,/, ",").replace("-", "−");
}
