/** UCUM pressure units this trade meets. `mbar` equals `hPa`. */
export type PressureUnit = "cm[H2O]" | "kPa" | "hPa" | "mbar" | "Pa" | "mm[Hg]";

/** UCUM flow units this trade meets. */
export type FlowUnit = "L/min" | "L/s" | "mL/s" | "cL/s";

/**
 * Pascals in one unit, by the constants of UCUM (ucum-essence.xml v2.0.1): `m[H2O]` = 9.80665 kPa and `m[Hg]` =
 * 133.3220 kPa. UCUM's millimetre of mercury is 133.3220 Pa, not the 133.322387 Pa that other tables give.
 */
const pascals: Record<PressureUnit, number> = {
  "cm[H2O]": 98.0665,
  kPa: 1000,
  hPa: 100,
  mbar: 100,
  Pa: 1,
  "mm[Hg]": 133.322,
};

const litresPerMinute: Record<FlowUnit, number> = { "L/min": 1, "L/s": 60, "mL/s": 0.06, "cL/s": 0.6 };

/** A pressure in another UCUM unit, not rounded; the sign stays, so exsufflation remains negative. */
export function convertPressure(value: number, from: PressureUnit, to: PressureUnit): number {
  return from === to ? value : (value * pascals[from]) / pascals[to];
}

/** A flow in another UCUM unit, not rounded. */
export function convertFlow(value: number, from: FlowUnit, to: FlowUnit): number {
  return from === to ? value : (value * litresPerMinute[from]) / litresPerMinute[to];
}

/** Whether a UCUM code is a pressure unit that `convertPressure` knows. */
export function isPressureUnit(code: string): code is PressureUnit {
  return Object.hasOwn(pascals, code);
}

/** Whether a UCUM code is a flow unit that `convertFlow` knows. */
export function isFlowUnit(code: string): code is FlowUnit {
  return Object.hasOwn(litresPerMinute, code);
}
