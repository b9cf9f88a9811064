import type { CapabilityStatementRestResourceSearchParam } from "@medplum/fhirtypes";
import { type OfficialParameter, officialSearchParameters } from "../../src/fhir/r4/search-parameters.ts";

const plain: Readonly<Record<string, string>> = {
  date: "2026",
  number: "1",
  quantity: "1",
  reference: "Patient/1",
  string: "a",
  token: "a",
  uri: "http://example.org",
};

const byUrl = new Map<string, OfficialParameter>();

function official(url: string): OfficialParameter | undefined {
  if (byUrl.size === 0) for (const one of officialSearchParameters()) byUrl.set(one.url, one);
  return byUrl.get(url);
}

/** A name and a value that R4's grammar allows for a declared parameter (https://hl7.org/fhir/R4/search.html). */
export function searchExample(
  parameter: CapabilityStatementRestResourceSearchParam,
  type: string,
): readonly [name: string, value: string] {
  const { name, type: kind, definition } = parameter;
  if (name === "_has") return [`_has:Provenance:target:recorded`, "2026"];
  if (name === "_list") return ["_list", "1"];
  if (name === "_type") return ["_type", type];
  if (kind !== "composite") return [name, plain[kind ?? ""] ?? ""];
  const components = official(definition ?? "")?.component ?? [];
  return [name, components.map((one) => plain[official(one.definition)?.type ?? ""] ?? "").join("$")];
}
