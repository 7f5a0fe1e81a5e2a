// What was said on the bench, as words of its link: whoever opens it comes to the same moment.
import type { BenchNow } from "./wire";

export type Said = BenchNow["said"];

export function toWords(said: Said, at: number): Record<string, string> {
  const { who, seed } = said;
  const did = { settings: said.settings ?? [], manoeuvres: said.manoeuvres ?? [], events: said.events ?? [] };
  const nothing = did.settings.length + did.manoeuvres.length + did.events.length <= 1;
  return { who, seed: seed && seed !== 1 ? String(seed) : "", did: nothing ? "" : encoded(JSON.stringify(did)), at: at > 0 ? String(Number(at.toFixed(4))) : "" };
}

export function fromWords(words: Record<string, string>): { said: Said; until: number } {
  const said: Said = { who: words.who ?? "", seed: 1 };
  if (/^\d+$/.test(words.seed ?? "")) said.seed = Number(words.seed);
  const until = Number(words.at);
  try {
    if (words.did) Object.assign(said, JSON.parse(decodedText(words.did)));
  } catch {
    return { said, until: 0 };
  }
  return { said, until: Number.isFinite(until) && until > 0 ? until : 0 };
}

const encoded = (text: string): string => btoa(String.fromCharCode(...new TextEncoder().encode(text))).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

const decodedText = (text: string): string => new TextDecoder().decode(Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (sign) => sign.charCodeAt(0)));
