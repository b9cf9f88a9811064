import { type Result, refused } from "../../domain/result.ts";
import { readJson } from "../json.ts";
import { applyFhirPathPatch } from "./fhirpath-patch.ts";
import { applyJsonPatch } from "./json-patch.ts";

/** Content types of the patches taken here, as an Accept-Patch header lists them (RFC 5789, 3.1). */
export const acceptPatch = "application/json-patch+json, application/fhir+json";

/**
 * A resource after the patch in a request body: JSON Patch as application/json-patch+json, FHIRPath Patch as a
 * Parameters resource in application/fhir+json (https://hl7.org/fhir/R4/http.html#patch). Any other content type is
 * refused with 415, XML Patch among them. `exact` is the tree of the resource with numbers as written; it stays as is.
 */
export function applyPatch(exact: unknown, contentType: string, bodyText: string): Result<unknown> {
  const mediaType = contentType.split(";")[0]?.trim().toLowerCase();
  switch (mediaType) {
    case "application/json-patch+json": {
      const operations = readArray(bodyText);
      return operations.ok ? applyJsonPatch(exact, operations.value) : operations;
    }
    case "application/fhir+json": {
      const parameters = readJson(bodyText);
      return parameters.ok ? applyFhirPathPatch(exact, parameters.value.exact) : parameters;
    }
    default:
      return refused({
        kind: "not-supported",
        detail: `This Content-Type is no patch that is taken here. Send one of Accept-Patch: ${acceptPatch}.`,
        status: 415,
      });
  }
}

/** An array with numbers as written. It is read as the member of an object, which is what the reader of bodies takes. */
function readArray(text: string): Result<unknown> {
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    // Refused again there, with line and column.
    return readJson(text);
  }
  if (!Array.isArray(value)) {
    const detail = "A JSON Patch is an array of operations (RFC 6902). Send one.";
    return refused({ kind: "structure", detail, status: 400 });
  }
  const read = readJson(`{"operations":${text}}`);
  return read.ok ? { ok: true, value: (read.value.exact as { operations: unknown }).operations } : read;
}
