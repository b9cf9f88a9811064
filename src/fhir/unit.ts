import type { Quantity } from "@medplum/fhirtypes";
import { convertUcum, ucumSystem } from "./search/ucum.ts";

/** How people write a unit where they give no code. */
const written: Readonly<Record<string, string>> = { cmH2O: "cm[H2O]", mmHg: "mm[Hg]", bpm: "/min" };

/**
 * The value of a Quantity in a UCUM unit, whichever unit of that dimension it was sent in; undefined when it has no
 * value or its unit is missing, unknown or of another dimension. A pressure of 3.5 kPa read as 3.5 cmH2O would be a
 * tenth of itself, so a number that cannot be vouched for is left out. A count needs no unit. The same unit gives the
 * very number that was sent, others twelve digits.
 */
export function valueInUnit(quantity: Quantity | undefined, unit: string): number | undefined {
  const value = quantity?.value;
  if (quantity === undefined || value === undefined) return undefined;
  if (quantity.code !== undefined && quantity.system !== undefined && quantity.system !== ucumSystem) return undefined;
  const sent = quantity.code ?? written[quantity.unit ?? ""] ?? quantity.unit ?? "1";
  if (sent === unit) return value;
  return convertUcum(value, sent, unit);
}
