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

// An archive or a document holds no lines of a log.
const LOGS = /\.(csv|txt|tsv|log|dat|asc)$/i;
export const endingsOfLogs = ".csv,.txt,.tsv,.log,.dat,.asc";
export const mayBeLog = (file: File): boolean => LOGS.test(file.name);

// Pictures travel together.
const PICTURES = /\.(png|bmp|jpe?g|webp|tiff?|gif|hei[cf]|pdf)$/i;
export const endingsOfPictures = ".png,.bmp,.jpg,.jpeg,.webp,.tif,.tiff,.gif,.heic,.heif,.pdf";
let pictures: File[] = [];

export const picturesIn = (files: FileList | null | undefined): File[] => [...(files ?? [])].filter((file) => PICTURES.test(file.name));

export function handPictures(files: File[]): void {
  pictures = files;
}

export function takePictures(): File[] {
  const waiting = pictures;
  pictures = [];
  return waiting;
}
