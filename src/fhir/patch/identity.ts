import type { Refusal } from "../../domain/result.ts";
import { childOf, isObject } from "./tree.ts";

/**
 * The refusal of a patch that changes what a resource is: its type or its id. The result of a patch is processed as an
 * update (https://hl7.org/fhir/R4/http.html#patch), which answers another id with 400.
 */
export function identityRefusal(before: unknown, after: unknown): Refusal | undefined {
  if (isObject(before) && !isObject(after)) return refusal("resourceType", "A patched resource stays a JSON object.");
  for (const name of ["resourceType", "id"]) {
    if (childOf(before, name) !== childOf(after, name)) {
      return refusal(name, `A patch cannot change the ${name} of a resource. Create another resource instead.`);
    }
  }
  return undefined;
}

function refusal(at: string, detail: string): Refusal {
  return { kind: "invalid", detail, at, status: 400 };
}
