import type { ValueSet, ValueSetExpansionContains, ValueSetExpansionParameter } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../../domain/result.ts";
import type { ParameterRules } from "../parameters.ts";
import { type CodeList, type CodeSources, isAbstract, isInactive } from "./code-table.ts";
import { composedCodes } from "./compose.ts";

/** Codes of one answer at most. R4 leaves the bound to the server (https://hl7.org/fhir/R4/valueset-operation-expand.html). */
export const mostCodesInAnswer = 1000;

/** What `$expand` takes; the four at the end ask for what a flat list without designations is anyway. */
export const expandRules = {
  url: { type: "uri" },
  valueSet: { type: "Resource" },
  valueSetVersion: { type: "string" },
  filter: { type: "string" },
  offset: { type: "integer" },
  count: { type: "integer" },
  activeOnly: { type: "boolean" },
  excludeNotForUI: { type: "boolean" },
  includeDefinition: { type: "boolean" },
  includeDesignations: { type: "boolean" },
  designation: { type: "string", repeats: true },
  excludeNested: { type: "boolean" },
  excludePostCoordinated: { type: "boolean" },
} as const satisfies ParameterRules;

/** What of the codes is asked for. */
export interface ExpandOptions {
  /** Words each of which has to begin a word of the display, or the code itself; capitals do not matter. */
  readonly filter?: string;
  readonly offset?: number;
  readonly count?: number;
  readonly activeOnly?: boolean;
  readonly excludeNotForUI?: boolean;
  readonly includeDefinition?: boolean;
}

/**
 * The value set with its expansion: a flat list in the order of the definition, all that match counted in `total`.
 * Refused as too costly when more than 1000 codes were to be answered at once. `id` names this one expansion.
 */
export function expandValueSet(
  list: CodeList,
  options: ExpandOptions,
  given: { sources: CodeSources; nowIso: string; id: string },
): Result<ValueSet> {
  const { filter, offset = 0, count } = options;
  const wrong = [offset, count].find((one) => one !== undefined && one < 0);
  if (wrong !== undefined) {
    return refused({ kind: "value", detail: "offset and count are 0 or more.", status: 400 });
  }
  const codes = composedCodes(list, given.sources);
  if (!codes.ok) return codes;
  const matches = filter === undefined ? () => true : matcher(filter);
  const all = [...codes.value].flatMap(([system, displays]) =>
    [...displays]
      .filter(([code, display]) => matches(code, display))
      .map(([code, display]) => containedCode(given.sources, system, code, display))
      .filter((one) => !(options.activeOnly && one.inactive) && !(options.excludeNotForUI && one.abstract)),
  );
  const asked = Math.min(count ?? all.length, Math.max(all.length - offset, 0));
  if (asked > mostCodesInAnswer) {
    const detail = `That is ${asked} codes of ${all.length}; one answer holds ${mostCodesInAnswer} at most. Ask for pages with offset and count, or narrow the list with filter.`;
    return refused({ kind: "too-costly", detail, status: 422 });
  }
  const contains = all.slice(offset, offset + asked);
  const { compose, ...described } = list;
  return accepted({
    resourceType: "ValueSet",
    id: given.id,
    ...described,
    ...(options.includeDefinition && compose !== undefined ? { compose } : {}),
    expansion: {
      identifier: `urn:uuid:${given.id}`,
      timestamp: given.nowIso,
      total: all.length,
      offset,
      ...parametersThatCount(options),
      ...(contains.length === 0 ? {} : { contains }),
    },
  });
}

function containedCode(sources: CodeSources, system: string, code: string, display: string): ValueSetExpansionContains {
  const table = sources.codeTable(system);
  return {
    system,
    ...(table !== undefined && isAbstract(table, code) ? { abstract: true } : {}),
    ...(table !== undefined && isInactive(table, code) ? { inactive: true } : {}),
    ...(table?.version === undefined ? {} : { version: table.version }),
    code,
    ...(display === "" ? {} : { display }),
  };
}

function matcher(filter: string): (code: string, display: string) => boolean {
  const words = wordsOf(filter);
  return (code, display) => {
    const there = [...wordsOf(display), code.toLowerCase()];
    return words.every((word) => there.some((one) => one.startsWith(word)));
  };
}

const wordsOf = (text: string) =>
  text
    .toLowerCase()
    .split(/[^\p{L}\p{N}_-]+/u)
    .filter((word) => word !== "");

/** "All the parameters that affect the contents of the expansion" (out parameter `return` of the operation's definition). */
function parametersThatCount(options: ExpandOptions): { parameter?: ValueSetExpansionParameter[] } {
  const { filter, offset, count, activeOnly, excludeNotForUI } = options;
  const parameter: ValueSetExpansionParameter[] = [
    ...(filter === undefined ? [] : [{ name: "filter", valueString: filter }]),
    ...(offset === undefined ? [] : [{ name: "offset", valueInteger: offset }]),
    ...(count === undefined ? [] : [{ name: "count", valueInteger: count }]),
    ...(activeOnly === undefined ? [] : [{ name: "activeOnly", valueBoolean: activeOnly }]),
    ...(excludeNotForUI === undefined ? [] : [{ name: "excludeNotForUI", valueBoolean: excludeNotForUI }]),
  ];
  return parameter.length === 0 ? {} : { parameter };
}
