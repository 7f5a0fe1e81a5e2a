import type { Quantity, Review } from "./api";
import { Ask } from "./ask";

/** The numbers, grouped by the question they answer, and what can't be told. */
export function Answers({ review, known }: { review: Review; known: { [key: string]: Quantity } }) {
  return (
    <>
      {review.answers.map((answer) => (
        <section key={answer.question} class="stack">
          <h2>{answer.question}</h2>
          <p class="small">{answer.lead}</p>
          {answer.groups.map((group) => (
            <ul class="numbers" key={group.name} aria-label={group.name}>
              {group.numbers.map((one) => (
                <Ask key={`${one.key}-${one.label}`} label={one.label} value={one.value} quantity={known[one.key]} from={one.source || `${one.n} breaths`}
                  more={[one.range && `5th to 95th ${one.range}`, one.n > 0 && `n ${one.n}`, one.verdict && `${one.verdict}: ${one.limit}`].filter(Boolean).join("; ")} />
              ))}
            </ul>
          ))}
        </section>
      ))}
      {review.steps.length > 0 && (
        <section class="stack">
          <h2>What each change of settings did</h2>
          {review.steps.map((step) => {
            const clear = step.effects.filter((effect) => effect.clear);
            return (
              <p key={step.at_s}><strong>{step.time}</strong> {step.changed}: {clear.length ? clear.map((effect) => `${effect.label} ${effect.change} ${effect.unit}`).join(", ") : "no clear change in what was measured"}.</p>
            );
          })}
        </section>
      )}
      <section class="stack">
        <h2>What can't be told?</h2>
        {review.untold.length ? <ul>{review.untold.map((one) => <li key={one.text}>{one.text}</li>)}</ul> : <p>Everything above was measured on every breath.</p>}
      </section>
    </>
  );
}
