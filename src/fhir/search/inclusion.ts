import { accepted, type Result, refused } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import type { Inclusion } from "./query.ts";

/** Reads the value of `_include` or `_revinclude`: `Type:parameter`, optionally `:TargetType`. */
export function inclusionOf(definitions: Definitions, name: string, value: string): Result<Inclusion> {
  const [sourceType = "", param = "", targetType] = value.split(":");
  const parameter = definitions.parameters(sourceType).get(param);
  if (!definitions.has(sourceType) || parameter?.kind !== "reference") {
    const detail = `"${value.slice(0, 128)}" is no inclusion. Write Type:parameter with a reference parameter of that type, for instance Task:patient.`;
    return refused({ kind: "value", detail, at: name, status: 400 });
  }
  return accepted({
    direction: name.startsWith("_include") ? "include" : "revinclude",
    sourceType,
    param,
    ...(targetType === undefined ? {} : { targetType }),
    iterate: name.endsWith(":iterate"),
  });
}
