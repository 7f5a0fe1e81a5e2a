// A file on its way from one room to the next: dragged onto the casebook, described in the new case or read as a log.
export type Handed = "recording" | "log";
let waiting: { file: File; kind: Handed } | null = null;

export function handOver(file: File, kind: Handed = "recording"): void {
  waiting = { file, kind };
}

export function takeOver(kind: Handed = "recording"): File | null {
  if (waiting?.kind !== kind) return null;
  const { file } = waiting;
  waiting = null;
  return file;
}
