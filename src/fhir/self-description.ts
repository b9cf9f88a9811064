import type { CapabilityStatement, TerminologyCapabilities } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../domain/result.ts";
import { type CapabilityFacts, capabilityStatement } from "./capability.ts";
import type { Definitions } from "./definitions.ts";
import { terminologyCapabilities } from "./terminology-capability.ts";

/**
 * What `GET /metadata` answers by its `mode` (https://hl7.org/fhir/R4/http.html#capabilities): the whole statement for
 * `full`, `normative` and none, what there is of terminology for `terminology`; any other is refused.
 */
export function selfDescription(
  definitions: Definitions,
  facts: CapabilityFacts,
  mode: string | undefined,
): Result<CapabilityStatement | TerminologyCapabilities> {
  switch (mode) {
    case undefined:
    case "full":
    // A statement of the normative parts alone may hold more than those.
    case "normative":
      return accepted(capabilityStatement(definitions, facts));
    case "terminology":
      return accepted(terminologyCapabilities(facts));
    default: {
      const detail = `"${mode.slice(0, 64)}" is no mode of /metadata. It is full, normative or terminology.`;
      return refused({ kind: "value", detail, at: "mode", status: 400 });
    }
  }
}
