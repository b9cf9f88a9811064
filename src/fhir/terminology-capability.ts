import type { TerminologyCapabilities } from "@medplum/fhirtypes";
import type { CapabilityFacts } from "./capability.ts";
import { codeSystemResources } from "./terminology/code-systems.ts";
import { expandRules } from "./terminology/expand.ts";

/** What `GET /metadata?mode=terminology` answers: the code systems known here (https://hl7.org/fhir/R4/terminologycapabilities.html). */
export function terminologyCapabilities(facts: CapabilityFacts): TerminologyCapabilities {
  return {
    resourceType: "TerminologyCapabilities",
    url: `${facts.baseUrl}/metadata?mode=terminology`,
    version: facts.softwareVersion,
    name: "TidegateTerminology",
    title: "Terminology of Tidegate",
    status: "active",
    date: facts.date,
    kind: "instance",
    software: { name: "Tidegate", version: facts.softwareVersion },
    implementation: {
      description:
        "The service's own code systems are listed. Also looked up and expanded: those that HL7 publishes with R4 (v3 and v2 included), and those that are stored here.",
      url: facts.baseUrl,
    },
    codeSystem: codeSystemResources().map((one) => ({ uri: one.url ?? "" })),
    expansion: {
      hierarchical: false,
      paging: true,
      incomplete: false,
      parameter: Object.keys(expandRules).map((name) => ({ name })),
      textFilter: "Each word has to begin a word of the display, or be the start of the code; capitals do not matter.",
    },
    codeSearch: "explicit",
    validateCode: { translations: false },
  };
}
