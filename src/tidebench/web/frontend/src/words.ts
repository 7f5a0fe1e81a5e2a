// How moments and sizes are written. Values with units come from the server as words.

/** A place on the case clock: 4:05, or 26:04:05 from an hour on; with tenths where ticks are closer than a second. */
export function clock(seconds: number, decimals = 0): string {
  const sign = seconds < 0 ? "−" : "";
  const scale = 10 ** decimals;
  const whole = Math.round(Math.abs(seconds) * scale) / scale;
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  const rest = (whole % 60).toFixed(decimals).padStart(decimals ? decimals + 3 : 2, "0");
  return hours ? `${sign}${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${sign}${minutes}:${rest}`;
}

export function size(bytes: number): string {
  return bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
}

/** With a capital at the start; pH stays pH. */
export const capital = (text: string): string => (/^[a-z][A-Z]/.test(text) ? text : text.slice(0, 1).toUpperCase() + text.slice(1));

export function day(seconds: number): string {
  return new Date(seconds * 1000).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });
}
