// A room whose code comes when it is first entered.
import type { ComponentType } from "preact";
import { useLayoutEffect, useState } from "preact/hooks";

import { say } from "./notices";

export function later<Props extends object>(load: () => Promise<ComponentType<Props>>): ComponentType<Props> {
  let known: ComponentType<Props> | null = null;
  return function Later(props: Props) {
    const [Room, set] = useState<ComponentType<Props> | null>(() => known);
    useLayoutEffect(() => {
      if (Room) return;
      load().then(
        (room) => set(() => (known = room)),
        () => say("This room could not be loaded. Is the workbench still running? Load the page anew."),
      );
    }, []);
    return Room && <Room {...props} />;
  };
}
