// A file that was taken in: how far it is sent, what its columns are understood as, and what a person says of them.
import { useEffect, useRef, useState } from "preact/hooks";

import { send, stopped, upload } from "./api";

interface Waiting {
  token: string;
}

export interface Taken<T> {
  file: T | null;
  sent: number | null;
  columns: Record<string, string>;
  take: (chosen: File) => Promise<boolean>;
  say: (header: string, words: string) => Promise<void>;
  drop: () => void;
  stop: () => void;
}

export function useTaken<T extends Waiting>(path: string, preview: (token: string) => string, refuse: (words: string) => void): Taken<T> {
  const [file, setFile] = useState<T | null>(null);
  const [sent, setSent] = useState<number | null>(null);
  const [columns, setColumns] = useState<Record<string, string>>({});
  const way = useRef<AbortController | null>(null);
  const stop = () => way.current?.abort();
  useEffect(() => stop, []);

  const take = async (chosen: File): Promise<boolean> => {
    stop();
    way.current = new AbortController();
    refuse("");
    setFile(null);
    setColumns({});
    setSent(0);
    try {
      setFile(await upload<T>(path, chosen, setSent, way.current.signal));
      return true;
    } catch (error) {
      if (!stopped(error)) refuse((error as Error).message);
      return false;
    } finally {
      setSent(null);
    }
  };
  const say = async (header: string, words: string) => {
    const next = { ...columns };
    if (words) next[header] = words;
    else delete next[header];
    setColumns(next);
    try {
      setFile(await send<T>("POST", preview(file!.token), { columns: next }));
    } catch (error) {
      refuse((error as Error).message);
    }
  };
  const drop = () => {
    if (file) void send("DELETE", `/uploads/${file.token}`);
    setFile(null);
  };
  return { file, sent, columns, take, say, drop, stop };
}
