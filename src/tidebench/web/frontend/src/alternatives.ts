// Alternatives of what-if that are kept side by side: written in the address, so that they survive and can be sent.
export type Settings = { [key: string]: number };
export interface Alternative {
  name: string;
  settings: Settings;
}

export function readSettings(text: string | undefined): Settings {
  const pairs = (text ?? "").split(",").map((pair) => pair.split(":"));
  return Object.fromEntries(pairs.filter(([key, value]) => key && value && Number.isFinite(Number(value))).map(([key, value]) => [key!, Number(value)]));
}

export const writeSettings = (settings: Settings): string => Object.entries(settings).map(([key, value]) => `${key}:${value}`).join(",");

export function readAlternatives(text: string | undefined): Alternative[] {
  const told = (text ?? "").split(";").map((part) => part.split("="));
  return told.filter(([name, settings]) => /^[A-Z]$/.test(name ?? "") && Object.keys(readSettings(settings)).length).map(([name, settings]) => ({ name: name!, settings: readSettings(settings) }));
}

export const writeAlternatives = (kept: Alternative[]): string => kept.map(({ name, settings }) => `${name}=${writeSettings(settings)}`).join(";");

/** The first letter that none of them has; nothing where all are taken. */
export function freeLetter(kept: Alternative[]): string | undefined {
  return [..."ABCDEFGHIJKLMNOPQRSTUVWXYZ"].find((letter) => !kept.some((one) => one.name === letter));
}
