// A file on its way from one room to the next: dragged onto the casebook, described in the new case.
let waiting: File | null = null;

export function handOver(file: File): void {
  waiting = file;
}

export function takeOver(): File | null {
  const file = waiting;
  waiting = null;
  return file;
}
