// The live bench's websocket: what is said and told as text, frames as bytes.
import type { components, webhooks as Webhooks } from "./schema";

type Schemas = components["schemas"];
export type BenchOffer = Schemas["BenchOffer"];
export type BenchNow = Schemas["NowTold"];
export type BenchMeasured = Schemas["MeasuredTold"];
export type BenchLine = Schemas["LineTold"];
export type BenchTruth = Schemas["TruthTold"];
export type BenchPart = BenchNow["sentences"][number][number];
export type BenchAsked = NonNullable<Webhooks["bench-asked"]["post"]["requestBody"]>["content"]["application/json"];
export type BenchTold = NonNullable<Webhooks["bench-told"]["post"]["requestBody"]>["content"]["application/json"];

/** Rows of a frame, in the order of the server's. */
export const BANDS = ["since", "pressure", "start", "elastic", "resistive", "muscle", "unexplained", "flow", "volume"] as const;
export type Band = (typeof BANDS)[number];

export interface Frame {
  first: number;
  rate: number;
  samples: number;
  breaths: number;
  phase: number;
  generation: number;
  bands: Record<Band, Float32Array>;
  volumes: Float32Array;
  opened: Float32Array;
  levels: Float32Array;
}

const HEAD = 32;

export function unpackFrame(bytes: ArrayBuffer): Frame {
  const head = new DataView(bytes);
  const [samples, breaths, phase, parts, generation] = [12, 16, 20, 24, 28].map((at) => head.getUint32(at, true)) as [number, number, number, number, number];
  let at = HEAD;
  const next = (length: number): Float32Array => {
    const array = new Float32Array(bytes, at, length);
    at += 4 * length;
    return array;
  };
  const bands = Object.fromEntries(BANDS.map((name) => [name, next(samples)])) as Record<Band, Float32Array>;
  return { first: head.getFloat64(0, true), rate: head.getFloat32(8, true), samples, breaths, phase, generation, bands, volumes: next(parts), opened: next(parts), levels: next(parts) };
}

export interface Heard<Told> {
  frame: (frame: Frame) => void;
  told: (told: Told) => void;
  open: () => void;
  /** `turned` away by the server with its reason, or the line just broke. */
  lost: (why: string, turned: boolean) => void;
}

export class Wire<Asked = BenchAsked, Told = BenchTold> {
  private readonly socket: WebSocket;
  private left = false;

  constructor(heard: Heard<Told>, path = "/api/bench/live") {
    const { protocol, host } = window.location;
    this.socket = new WebSocket(`${protocol === "https:" ? "wss" : "ws"}://${host}${path}`);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => heard.open();
    this.socket.onmessage = (event: MessageEvent<ArrayBuffer | string>) => {
      if (typeof event.data === "string") heard.told(JSON.parse(event.data) as Told);
      else heard.frame(unpackFrame(event.data));
    };
    this.socket.onclose = (event) => {
      if (!this.left) heard.lost(event.reason || "The bench doesn't answer any more.", event.reason !== "");
    };
  }

  say(asked: Asked): void {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(asked));
  }

  leave(): void {
    this.left = true;
    this.socket.close();
  }
}
