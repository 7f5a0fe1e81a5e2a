// Asks the server; the page computes nothing itself.
import type { components } from "./schema";

type Schemas = components["schemas"];
export type Review = Schemas["ReviewTold"];
export type Series = Schemas["SeriesTold"];
export type Kind = Schemas["KindTold"];
export type Finding = Schemas["FindingTold"];
export type Breath = Schemas["BreathTold"];
export type Account = Schemas["AccountTold"];
export type Loop = Schemas["LoopTold"];
export type Marks = Schemas["MarksTold"];
export type BreathMark = Schemas["BreathMarkTold"];
export type Quantity = Schemas["QuantityTold"];
export type Entry = Schemas["EntryTold"];
export type Section = Schemas["SectionTold"];
export type Field = Schemas["FieldTold"];
export type Upload = Schemas["UploadTold"];
export type CaseColumns = Schemas["CaseColumnsTold"];
export type Mappable = Schemas["Mappable"];
export type Made = Schemas["Made"];
export type NewCase = Schemas["NewCase"];
export type Job = Schemas["JobTold"];
export type About = Schemas["About"];
export type Source = Schemas["SourceTold"];
export type Comparison = Schemas["ComparisonTold"];
export type Effect = Schemas["EffectTold"];
export type Marked = Schemas["Marked"];
export type Fit = Schemas["FitTold"];
export type Lever = Schemas["LeverTold"];
export type Curves = Schemas["CurvesTold"];
export type Band = Schemas["BandTold"];
export type Change = Schemas["ChangeTold"];
export type Form = Schemas["FormTold"];
export type Slip = Schemas["SlipTold"];
export type CarePage = Schemas["PageTold"];
export type Part = Schemas["PartTold"];
export type RoomTold = Schemas["RoomTold"];
export type Card = Schemas["CardTold"];
export type Alarms = Schemas["AlarmsTold"];
export type Alarm = Schemas["AlarmTold"];
export type Course = Schemas["CourseTold"];
export type Played = Schemas["PlayedTold"];
export type LogUpload = Schemas["LogUploadTold"];
export type LogTold = Schemas["LogTold"];
export type Swept = Schemas["SweptPageTold"];
export type MarkState = Schemas["MarkAsked"]["state"];

export interface Trace {
  key: string;
  label: string;
  unit: string;
  derived: boolean;
  time: number[];
  values: (number | null)[];
}

/** What the server refused, in its own words. */
export class Refused extends Error {
  constructor(
    message: string,
    readonly status: number,
  ) {
    super(message);
  }
}

const WORDS: Record<string, string> = { "x-tidebench": "page" };

/** Ask for an answer; one that is a refusal is thrown. */
export async function ask(path: string, init: RequestInit = {}): Promise<Response> {
  let answer: Response;
  try {
    answer = await fetch(`/api${path}`, { ...init, headers: { ...WORDS, ...init.headers } });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Refused("The workbench doesn't answer. Is it still running?", 0);
  }
  if (answer.ok) return answer;
  const said: unknown = await answer.json().catch(() => null);
  const problem = said && typeof said === "object" && "problem" in said ? String(said.problem) : answer.statusText;
  throw new Refused(problem || `The server refused (${answer.status}).`, answer.status);
}

export async function get<T>(path: string, signal?: AbortSignal): Promise<T> {
  return (await (await ask(path, { signal })).json()) as T;
}

export async function send<T>(method: "POST" | "PUT" | "DELETE", path: string, body?: unknown, signal?: AbortSignal): Promise<T> {
  const words = body === undefined ? {} : { body: JSON.stringify(body), headers: { "content-type": "application/json" } };
  const answer = await ask(path, { method, signal, ...words });
  return (answer.status === 204 ? undefined : await answer.json()) as T;
}

/** Asks for a file and keeps it under a name. */
export async function fetchFile(path: string, body: unknown, name: string): Promise<void> {
  const words = body === undefined ? {} : { method: "POST", body: JSON.stringify(body), headers: { "content-type": "application/json" } };
  const answer = await ask(path, words);
  const link = document.createElement("a");
  link.href = URL.createObjectURL(await answer.blob());
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

/** Sends a file that is not too large; the browser's older interface tells how far it is. */
export async function upload<T = Upload>(path: string, file: File, tell: (share: number) => void, signal: AbortSignal): Promise<T> {
  const limit = await get<Schemas["UploadLimit"]>(path, signal);
  if (file.size > limit.bytes) throw new Refused(`${file.name}: ${limit.words}`, 413);
  return new Promise((done, fail) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/api${path}?name=${encodeURIComponent(file.name)}`);
    for (const [name, value] of Object.entries(WORDS)) request.setRequestHeader(name, value);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.upload.onprogress = (event) => tell(event.total ? event.loaded / event.total : 0);
    request.onload = () => {
      const said = JSON.parse(request.responseText || "{}") as T & { problem?: string };
      if (request.status < 300) done(said);
      else fail(new Refused(said.problem ?? "The file was refused.", request.status));
    };
    request.onerror = () => fail(new Refused("The file could not be sent. Is the workbench still running?", 0));
    request.onabort = () => fail(new DOMException("stopped", "AbortError"));
    signal.addEventListener("abort", () => request.abort());
    request.send(file);
  });
}

export const caseUrl = (name: string) => `/cases/${encodeURIComponent(name)}`;

export async function signals(name: string, from: number, to: number, points: number, signal?: AbortSignal): Promise<Trace[]> {
  const path = `${caseUrl(name)}/signals?from=${from}&to=${to}&points=${points}`;
  return unpack(await (await ask(path, { signal })).arrayBuffer(), from);
}

/** Times arrive relative to the stretch's start, as float32; here they become times on the case clock. */
export function unpack(bytes: ArrayBuffer, from: number): Trace[] {
  const length = new DataView(bytes).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length))) as {
    channels: { key: string; label: string; unit: string; derived: boolean; points: number }[];
  };
  let at = 4 + length;
  const next = (points: number): Float32Array => {
    const array = new Float32Array(bytes, at, points);
    at += 4 * points;
    return array;
  };
  return head.channels.map(({ points, ...channel }) => {
    const time = Array.from(next(points), (t) => from + t);
    const values = Array.from(next(points), (v) => (Number.isNaN(v) ? null : v));
    return { ...channel, time, values };
  });
}

export const stopped = (error: unknown) => error instanceof DOMException && error.name === "AbortError";
