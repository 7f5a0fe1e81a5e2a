// Cards for sudden trouble, by what one sees; the patient first on every one.
import { useEffect, useState } from "preact/hooks";

import { get, type Card } from "./api";
import { CareParts } from "./care";
import { useKeys } from "./keys";
import { keepView } from "./save";
import { look, usePlace } from "./place";

export function CardsRoom() {
  const place = usePlace();
  const [cards, setCards] = useState<Card[]>([]);
  const [problem, setProblem] = useState("");
  useEffect(() => void get<Card[]>("/cards").then(setCards, (error: Error) => setProblem(error.message)), []);
  const at = Math.max(0, cards.findIndex((one) => one.sign === place.words.sign));
  const card = cards[at];
  const step = (by: number) => cards.length && look({ sign: cards[(at + by + cards.length) % cards.length]!.sign });
  useKeys(
    [
      { keys: ["n", "ArrowRight"], group: "Cards", words: "Next card", act: () => void step(1) },
      { keys: ["p", "ArrowLeft"], group: "Cards", words: "Card before", act: () => void step(-1) },
      { keys: ["d"], group: "Cards", words: "The card as PDF", act: () => card && window.open(`/api/cards/${card.sign}.pdf`, "_blank", "noopener") },
    ],
    [at, cards.length],
  );
  return (
    <>
      <h1>Cards for sudden trouble</h1>
      <p class="quiet">By what one sees. Pages to print and to hang up, and the record of the check before use.</p>
      {problem && <p class="problem" role="alert">{problem}</p>}
      <div class="deck">
        <nav aria-label="Cards">
          <ul class="choices">
            {cards.map((one) => <li key={one.sign}><button aria-pressed={one === card} onClick={() => look({ sign: one.sign })}>{one.page.title}</button></li>)}
          </ul>
        </nav>
        {card && (
          <div class="stack">
            <div class="row">
              <h2 class="grow page-title">{card.page.title}</h2>
              <a class="button" href={`/api/cards/${card.sign}.pdf`} target="_blank" rel="noopener">As PDF <kbd>d</kbd></a>
              <button onClick={() => void keepView("this card")}>Keep this view</button>
            </div>
            {card.page.lead.map((line) => <p key={line}>{line}</p>)}
            <CareParts page={card.page} known={{}} />
          </div>
        )}
      </div>
    </>
  );
}
