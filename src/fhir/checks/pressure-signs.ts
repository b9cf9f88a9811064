import type { DeviceRequest, Quantity } from "@medplum/fhirtypes";
import type { Refusal } from "../../domain/result.ts";
import { therapySystems } from "../terminology/therapy.ts";

/** Which sign each pressure of a prescription has: air is blown in above the pressure of the room and drawn out below it. */
const signs: Readonly<Record<string, { readonly sign: 1 | -1; readonly detail: string }>> = {
  "exsufflation-pressure": {
    sign: -1,
    detail: "Write exsufflation pressure as a negative number: -40 draws, 40 would blow.",
  },
  "insufflation-pressure": {
    sign: 1,
    detail: "Write insufflation pressure as a positive number: 40 blows, -40 would draw.",
  },
};

/**
 * Pressures of a DeviceRequest that have the wrong sign. Our own parameter codes say what the number means, so it holds
 * for every request that uses them, whatever profile it claims. Shapes that R4 forbids are left to the other checks.
 */
export function pressureSignFaults(request: DeviceRequest): Refusal[] {
  if (!Array.isArray(request.parameter)) return [];
  return request.parameter.flatMap((parameter, i) => {
    const coding = Array.isArray(parameter?.code?.coding) ? parameter.code.coding : [];
    const code = coding.find((one) => one?.system === therapySystems.settingParameter)?.code ?? "";
    const rule = Object.hasOwn(signs, code) ? signs[code] : undefined;
    if (rule === undefined) return [];
    const at = `DeviceRequest.parameter[${i}].value`;
    const { valueQuantity, valueRange } = parameter;
    const amounts: [Quantity | undefined, string][] = [
      [valueQuantity, `${at}.value`],
      [valueRange?.low, `${at}.low.value`],
      [valueRange?.high, `${at}.high.value`],
    ];
    return amounts.flatMap(([amount, place]): Refusal[] => {
      if (typeof amount?.value !== "number" || amount.value * rule.sign > 0) return [];
      return [{ kind: "business-rule", detail: rule.detail, at: place, status: 422 }];
    });
  });
}
