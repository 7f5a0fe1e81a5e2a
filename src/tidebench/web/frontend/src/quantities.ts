// The catalogue of quantities, asked for once.
import { get, type Quantity } from "./api";

let catalogue: Promise<Record<string, Quantity>> | null = null;

export const quantities = (): Promise<Record<string, Quantity>> =>
  (catalogue ??= get<Quantity[]>("/quantities").then((all) => Object.fromEntries(all.map((one) => [one.key, one]))));
