import { useEffect, useRef } from "preact/hooks";

import { keysKnown } from "./keys";

const NAMES: Record<string, string> = { ArrowLeft: "←", ArrowRight: "→", "Shift+ArrowLeft": "Shift ←", "Shift+ArrowRight": "Shift →", " ": "Space" };

/** Every key that does something here. */
export function KeySheet({ close }: { close: () => void }) {
  const box = useRef<HTMLDialogElement>(null);
  useEffect(() => box.current?.showModal(), []);
  const groups = Map.groupBy(keysKnown(), (key) => key.group);
  return (
    <dialog ref={box} onClose={close} aria-labelledby="keys-title">
      <div class="row" style={{ marginBottom: "0.8rem" }}>
        <h2 id="keys-title" class="grow">Keys</h2>
        <button onClick={() => box.current?.close()}>Close</button>
      </div>
      <div class="sheet-keys">
        {[...groups].map(([group, keys]) => (
          <div key={group}>
            <h3>{group}</h3>
            <dl>
              {keys.map((key) => (
                <>
                  <dt>{key.keys.map((name, i) => <>{i > 0 && " "}<kbd>{NAMES[name] ?? name}</kbd></>)}</dt>
                  <dd>{key.words}</dd>
                </>
              ))}
            </dl>
          </div>
        ))}
      </div>
    </dialog>
  );
}
