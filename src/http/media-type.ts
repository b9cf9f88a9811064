import { pairOf, splitUnquoted } from "./header-text.ts";

/** JSON types that are taken and answered, the one of FHIR first (https://hl7.org/fhir/R4/http.html#mime-type). */
export const jsonTypes = ["application/fhir+json", "application/json", "text/json"] as const;

/** Short and former names of JSON that `_format` and Accept may use. */
const aliases: Readonly<Record<string, string>> = {
  json: "application/fhir+json",
  "application/json+fhir": "application/fhir+json",
};

interface MediaType {
  readonly type: string;
  readonly parameters: ReadonlyMap<string, string>;
}

/** A media type with its parameters, names in lower case. */
export function mediaTypeOf(text: string): MediaType {
  const [type = "", ...parameters] = splitUnquoted(text, ";");
  return { type: type.toLowerCase(), parameters: new Map(parameters.map(pairOf)) };
}

/** Whether a type names no other version of FHIR and no other charset than are spoken here (section version-parameter). */
export function isOurs({ parameters }: MediaType): boolean {
  const version = parameters.get("fhirversion");
  const charset = (parameters.get("charset") ?? "utf-8").toLowerCase();
  return (version === undefined || version === "4.0" || version === "4.0.1") && /^utf-?8$/.test(charset);
}

/**
 * The JSON type that best answers an Accept header or a `_format`: a generic one where that was asked for by name and
 * FHIR's was not. Undefined where JSON is not wanted (RFC 9110, 12.5.1: the most specific range decides, q=0 excludes).
 */
export function jsonAnswerTo(accept: string): (typeof jsonTypes)[number] | undefined {
  const ranges = splitUnquoted(accept, ",")
    .map(mediaTypeOf)
    .filter(isOurs)
    .map(({ type, parameters }) => ({ range: aliases[type] ?? type, quality: qualityOf(parameters.get("q")) }));
  const qualities = jsonTypes.map((type) => {
    const matching = [type, `${type.split("/")[0]}/*`, "*/*"].map((name) => ranges.find(({ range }) => range === name));
    return matching.find((one) => one !== undefined)?.quality ?? 0;
  });
  const best = Math.max(...qualities);
  return best > 0 ? jsonTypes[qualities.indexOf(best)] : undefined;
}

/** A weight that is no number counts as none given. */
function qualityOf(q: string | undefined): number {
  return q !== undefined && /^(0(\.\d{0,3})?|1(\.0{0,3})?)$/.test(q) ? Number(q) : 1;
}
