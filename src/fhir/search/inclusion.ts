import { accepted, type Result, refused } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import type { Inclusion } from "./query.ts";

/**
 * Reads the value of `_include` or `_revinclude`: `Type:parameter`, `Type:*` or (`_include` alone) `*`, optionally with
 * `:TargetType` behind the parameter (https://hl7.org/fhir/R4/search.html#include).
 */
export function inclusionOf(definitions: Definitions, name: string, value: string): Result<Inclusion> {
  const direction = name.startsWith("_include") ? "include" : "revinclude";
  const iterate = name.endsWith(":iterate") || name.endsWith(":recurse");
  if (value === "*" && direction === "include") return accepted({ direction, sourceType: "*", param: "*", iterate });
  const [sourceType = "", param = "", targetType, ...more] = value.split(":");
  const parameter = definitions.parameters(sourceType).get(param);
  const allowed = parameter?.targets ?? [];
  const targets = targetType === undefined || allowed.length === 0 || allowed.includes(targetType);
  if (
    !definitions.has(sourceType) ||
    (param !== "*" && parameter?.kind !== "reference") ||
    !targets ||
    more.length > 0
  ) {
    const detail = `"${value.slice(0, 128)}" is no inclusion. Write Type:parameter with a reference parameter of that type, for instance Task:patient.`;
    return refused({ kind: "value", detail, at: name, status: 400 });
  }
  return accepted({ direction, sourceType, param, ...(targetType === undefined ? {} : { targetType }), iterate });
}
