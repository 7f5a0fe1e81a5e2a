// Where the page is: one link per view. What is looked at stands in the address, so that it can be kept and sent.
import { useEffect, useState } from "preact/hooks";

const OF_A_CASE = ["case", "whatif"] as const;
const WITH_A_FORM = ["prepare", "gases", "wean", "handover"] as const;
const PERHAPS_OF_A_CASE = [...WITH_A_FORM, "logs", "alarms"] as const;
const OF_LESSONS = ["lessons", "teach", "class"] as const;
const ALONE = ["new", "pictures", "cards", "bench", "about"] as const;
export type RoomName = (typeof WITH_A_FORM)[number];
export type RoomKind = (typeof OF_A_CASE | typeof PERHAPS_OF_A_CASE | typeof OF_LESSONS | typeof ALONE)[number] | "casebook";
const among = <T extends string>(rooms: readonly T[], room: string): room is T => (rooms as readonly string[]).includes(room);

export const withForm = (room: string): room is RoomName => among(WITH_A_FORM, room);

export interface Place {
  room: RoomKind;
  name: string;
  words: Record<string, string>;
}

export function readPlace(hash: string): Place {
  const [path = "", query = ""] = hash.replace(/^#\/?/, "").split("?");
  const [room = "", name = ""] = path.split("/");
  const words = Object.fromEntries(new URLSearchParams(query));
  if (among(PERHAPS_OF_A_CASE, room) || among(OF_LESSONS, room) || (among(OF_A_CASE, room) && name)) return { room, name: decoded(name), words };
  return { room: among(ALONE, room) ? room : "casebook", name: "", words };
}

export function writePlace(place: Place): string {
  const query = new URLSearchParams(Object.entries(place.words).filter(([, value]) => value !== "")).toString();
  const path = place.room === "casebook" ? "" : place.name ? `${place.room}/${encodeURIComponent(place.name)}` : place.room;
  return `#/${path}${query ? `?${query}` : ""}`;
}

function decoded(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

export const here = (): Place => readPlace(window.location.hash);

const been = new Map<string, string>(); // where in a room of a case its reader was last
const listeners = new Set<() => void>();
const told = () => {
  const now = here();
  been.set(`${now.room}/${now.name}`, writePlace(now));
  listeners.forEach((listener) => listener());
};
if (typeof window !== "undefined") {
  window.addEventListener("hashchange", told);
  told();
}

/** The way back into a room, to where its reader was. */
export const wayBack = (room: RoomKind, name: string): string => been.get(`${room}/${name}`) ?? writePlace({ room, name, words: {} });

/** Go somewhere; the way back stays open. */
export function go(place: Partial<Place> & Pick<Place, "room">): void {
  window.location.hash = writePlace({ name: "", words: {}, ...place });
}

/** Say more precisely what is looked at; small steps don't fill the way back. ``anew`` forgets what was said before. */
export function look(words: Record<string, string>, remember = false, anew = false): void {
  const now = here();
  const hash = writePlace({ ...now, words: anew ? words : { ...now.words, ...words } });
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
