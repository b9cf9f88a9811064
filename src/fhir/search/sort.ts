import { accepted, type Result } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import { refusedParameter } from "./clause-context.ts";
import { isHotDate } from "./extract.ts";
import type { SortKey } from "./query.ts";

/** The most keys of one order. */
const mostKeys = 5;

/** Reads `_sort`: keys between commas, each descending with a `-` before it, behind those of a `_sort` before (https://hl7.org/fhir/R4/search.html#sort). */
export function sortKeys(
  definitions: Definitions,
  types: readonly string[],
  value: string,
  alreadyCount = 0,
): Result<readonly SortKey[]> {
  const asked = value.split(",");
  if (alreadyCount + asked.length > mostKeys)
    return refusedParameter("too-costly", "_sort", `An order has at most ${mostKeys} keys.`);
  const keys: SortKey[] = [];
  for (const one of asked) {
    const descending = one.startsWith("-");
    const code = descending ? one.slice(1) : one;
    const by = sharedKey(types.map((type) => sortBy(definitions, type, code)));
    if (by === undefined) {
      const whose = types.length === 1 ? `${types[0]}` : "A search of several types";
      return refusedParameter(
        "not-supported",
        "_sort",
        `${whose} cannot be sorted by "${code.slice(0, 64)}". Sort by _id, _lastUpdated, or a date or string parameter${types.length === 1 ? "" : " that all of them keep alike"}.`,
      );
    }
    keys.push({ by, descending });
  }
  return accepted(keys);
}

function sharedKey(keys: readonly (SortKey["by"] | undefined)[]): SortKey["by"] | undefined {
  const [first] = keys;
  return keys.every((key) => key === first || keys.length === 1) ? first : undefined;
}

function sortBy(definitions: Definitions, type: string, code: string): SortKey["by"] | undefined {
  if (code === "_id") return "id";
  if (code === "_lastUpdated") return "last-updated";
  const parameter = definitions.parameters(type).get(code);
  if (parameter === undefined) return undefined;
  if (isHotDate(type, parameter)) return "hot-date";
  const keys = parameter.atoms.map((atom) => atom.key);
  if (parameter.kind === "date") return { dateKeys: keys };
  return parameter.kind === "string" ? { stringKeys: keys } : undefined;
}
