import { planOf } from "./checks/type-plan.ts";
import type { Definitions } from "./definitions.ts";
import { publishedResource } from "./r4/published.ts";
import { prepareExtraction } from "./search/extract.ts";
import { codesOf } from "./terminology/value-set-codes.ts";

/** Types that every caseload is made of: their definitions are read first. */
const hotTypes = [
  "Patient",
  "Observation",
  "DeviceUseStatement",
  "Task",
  "Device",
  "DeviceRequest",
  "CarePlan",
  "Flag",
];

/**
 * Steps that read what the first check and the first search of each type would otherwise read; the types asked for most
 * come first. A step takes some milliseconds, the longest (finding 200 definitions in a file of 35 MB) 30 ms on a slow
 * core, so that requests can come between two of them.
 */
export function* warmUp(definitions: Definitions): Generator<() => void> {
  const hot = hotTypes.filter((type) => definitions.has(type));
  yield () => void publishedResource("valuesets", "ValueSet", "");
  for (const type of new Set([...hot, ...definitions.types])) {
    yield () => prepareExtraction(definitions, type);
    yield () => void planOf(type);
    for (const element of planOf(type)?.elements.values() ?? []) {
      const { type: inner, kind, binding } = element;
      if (kind === "complex") yield () => void planOf(inner);
      if (binding?.strength === "required") yield () => void codesOf(binding.valueSet);
    }
  }
  yield () => void publishedResource("profiles-resources", "StructureDefinition", "");
  yield () => void definitions.profile("");
}
