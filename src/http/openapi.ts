import { useRecordJsonSchema } from "../intake/use-record-schema.ts";
import { doesNothingButRead, reasonLength } from "./break-glass.ts";
import { needsOfRoute } from "./needs.ts";

type Json = Record<string, unknown>;

/**
 * Adds to the generated description what route schemas cannot say: the body of an upload, which is read as bytes and
 * checked by the intake, and FHIR, which describes itself at /fhir/metadata.
 */
export function completed(document: Json): Json {
  const paths = document.paths as Record<string, Record<string, Json>>;
  const upload = paths["/api/v1/use-records"]?.post;
  if (upload !== undefined) upload.requestBody = uploadBody();
  answerAs(paths["/api/v1/releases/{number}.csv"]?.get, "text/csv");
  answerAs(paths["/api/v1/releases/{number}/page"]?.get, "text/html");
  for (const [path, methods] of Object.entries(paths)) {
    for (const [method, operation] of Object.entries(methods)) addBreakGlass(path, method, operation);
    if (!path.startsWith("/fhir")) continue;
    for (const [method, operation] of Object.entries(methods)) {
      operation.tags = ["FHIR R4"];
      operation.summary ??= fhirSummaries[`${method} ${path}`] ?? operationSummary(path);
    }
  }
  return document;
}

/** Route schemas know of JSON alone. */
function answerAs(operation: Json | undefined, type: string): void {
  const { "200": ok } = (operation?.responses ?? {}) as Record<string, Json>;
  if (ok !== undefined) ok.content = { [type]: { schema: { type: "string" } } };
}

/** Every request that reads may say why it must see what is withheld. */
function addBreakGlass(path: string, method: string, operation: Json): void {
  const url = path.replaceAll(/\{(\w+)\}/g, ":$1");
  if (needsOfRoute(method.toUpperCase(), url) === undefined || !doesNothingButRead(method.toUpperCase(), url)) return;
  const description = "Why what labels and consents withhold must be read now. It takes tidegate/break-glass.c.";
  const schema = { type: "string", minLength: reasonLength.least, maxLength: reasonLength.most };
  const header = { name: "Break-Glass", in: "header", required: false, description, schema };
  operation.parameters = [...((operation.parameters ?? []) as Json[]), header];
}

/** The FHIR operations are told apart by their name, which stands in the address. */
function operationSummary(path: string): string | undefined {
  const name = /\$[a-z-]+$/.exec(path)?.[0];
  return name === undefined ? undefined : `Operation ${name}`;
}

function uploadBody(): Json {
  const { $schema: _, ...schema } = useRecordJsonSchema() as Json;
  const csv = { schema: { type: "string" } };
  return {
    required: true,
    content: {
      "application/json": { schema },
      "text/csv": csv,
      "application/gzip": { schema: { type: "string", format: "binary" } },
    },
  };
}

const fhirSummaries: Readonly<Record<string, string>> = {
  "get /fhir/metadata": "CapabilityStatement: what is switched on, with every search parameter",
  "get /fhir/": "Search of several types",
  "post /fhir/": "Transaction or batch Bundle",
  "post /fhir/_search": "Search of several types by form",
  "get /fhir/_history": "History of everything",
  "get /fhir/{type}/_history": "History of a type",
  "get /fhir/{type}/{id}/_history": "History of one resource",
  "put /fhir/{type}": "Conditional update: of what answers the criteria of the address",
  "patch /fhir/{type}": "Conditional patch",
  "delete /fhir/{type}": "Conditional delete",
  "patch /fhir/{type}/{id}": "Patch: JSON Patch or FHIRPath Patch",
  "get /fhir/{type}/{id}/{member}": "Search in the compartment of a Patient",
  "post /fhir/{type}/{id}/{member}/_search": "Search in the compartment of a Patient by form",
  "get /fhir/{type}": "Search",
  "post /fhir/{type}": "Create",
  "post /fhir/{type}/_search": "Search by form",
  "get /fhir/{type}/{id}": "Read",
  "put /fhir/{type}/{id}": "Update, or create under this id",
  "delete /fhir/{type}/{id}": "Delete",
  "get /fhir/{type}/{id}/_history/{version}": "Read one version",
};
