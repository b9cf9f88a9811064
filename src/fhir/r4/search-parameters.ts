import { readFileSync } from "node:fs";
import type { SearchParameter } from "@medplum/fhirtypes";

/** What a search parameter of R4 says of where it looks and of what kind it is, without its words. */
export type OfficialParameter = Pick<
  SearchParameter,
  "code" | "type" | "url" | "base" | "expression" | "target" | "component"
>;

let parameters: readonly OfficialParameter[] | undefined;

/** The SearchParameters that R4 itself defines, in its order; read once per process, in some 5 ms. */
export function officialSearchParameters(): readonly OfficialParameter[] {
  if (parameters !== undefined) return parameters;
  const text = readFileSync(new URL("search-parameters.ndjson", import.meta.url), "utf8");
  parameters = JSON.parse(`[${text.trimEnd().replaceAll("\n", ",")}]`) as OfficialParameter[];
  return parameters;
}
