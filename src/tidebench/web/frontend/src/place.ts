// Where the page is: one link per view. What is looked at stands in the address, so that it can be kept and sent.
import { useEffect, useState } from "preact/hooks";

export interface Place {
  room: "casebook" | "new" | "case" | "whatif" | "bench" | "about";
  name: string;
  words: Record<string, string>;
}

export function readPlace(hash: string): Place {
  const [path = "", query = ""] = hash.replace(/^#\/?/, "").split("?");
  const [room = "", name = ""] = path.split("/");
  const words = Object.fromEntries(new URLSearchParams(query));
  if ((room === "case" || room === "whatif") && name) return { room, name: decoded(name), words };
  return { room: room === "new" || room === "bench" || room === "about" ? room : "casebook", name: "", words };
}

export function writePlace(place: Place): string {
  const query = new URLSearchParams(Object.entries(place.words).filter(([, value]) => value !== "")).toString();
  const path = place.room === "casebook" ? "" : place.room === "case" || place.room === "whatif" ? `${place.room}/${encodeURIComponent(place.name)}` : place.room;
  return `#/${path}${query ? `?${query}` : ""}`;
}

function decoded(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

const listeners = new Set<() => void>();
const told = () => listeners.forEach((listener) => listener());
if (typeof window !== "undefined") window.addEventListener("hashchange", told);

export const here = (): Place => readPlace(window.location.hash);

/** Go somewhere; the way back stays open. */
export function go(place: Partial<Place> & Pick<Place, "room">): void {
  window.location.hash = writePlace({ name: "", words: {}, ...place });
}

/** Say more precisely what is looked at; small steps don't fill the way back. */
export function look(words: Record<string, string>, remember = false): void {
  const now = here();
  const hash = writePlace({ ...now, words: { ...now.words, ...words } });
  if (hash === window.location.hash) return;
  if (remember) window.history.pushState(null, "", hash);
  else window.history.replaceState(null, "", hash);
  told();
}

export function usePlace(): Place {
  const [place, set] = useState(here);
  useEffect(() => {
    const listener = () => set(here());
    listeners.add(listener);
    return () => void listeners.delete(listener);
  }, []);
  return place;
}
