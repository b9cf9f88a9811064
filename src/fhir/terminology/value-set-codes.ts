import { type Codes, composedCodes } from "./compose.ts";
import { heldTerminology } from "./held-terminology.ts";

const cache = new Map<string, Codes | undefined>();

/**
 * Every code of a value set that is held here – R4's own, HL7 v3 and v2, ours – by system, with its display (empty
 * where there is none). A version behind `|` is ignored. Undefined when the value set is not known here or cannot be
 * listed: languages, media types, all of SNOMED CT, LOINC or UCUM. The first call reads up to 9 MB (about half a second).
 */
export function codesOf(valueSetUrl: string): Codes | undefined {
  const list = heldTerminology.codeList(valueSetUrl);
  // Unknown names come from clients and are not kept: they would fill the memory.
  if (list === undefined) return undefined;
  const url = list.url ?? "";
  if (cache.has(url)) return cache.get(url);
  const composed = composedCodes(list, heldTerminology);
  const codes = composed.ok ? composed.value : undefined;
  cache.set(url, codes);
  return codes;
}
