import type { CapabilityStatementRestResourceSearchParam } from "@medplum/fhirtypes";
import type { FastifyInstance } from "fastify";
import { searchExample } from "../fhir/search-example.ts";
import { minimalResource } from "./minimal-resource.ts";

/** One request to the FHIR door; `path` is behind /fhir. */
export interface DeclaredRequest {
  readonly method: "GET" | "POST" | "PUT" | "PATCH" | "DELETE";
  readonly path: string;
  readonly body?: unknown;
  readonly headers?: Readonly<Record<string, string>>;
}

/** The answer, short enough to be read in a failed test. */
export interface Answer {
  readonly status: number;
  readonly body: Record<string, unknown>;
  /** Method, path, status and what the outcome says. */
  readonly line: string;
}

/** Sends requests with the token of the test app. */
export function sender(test: { app: FastifyInstance; headers: Readonly<Record<string, string>> }) {
  return async (request: DeclaredRequest): Promise<Answer> => {
    const { method, path, body, headers } = request;
    const answer = await test.app.inject({
      method,
      url: `/fhir${path}`,
      headers: { ...test.headers, ...headers },
      ...(body === undefined ? {} : { payload: typeof body === "string" ? body : JSON.stringify(body) }),
    });
    const parsed = answer.body === "" ? {} : (JSON.parse(answer.body) as Record<string, unknown>);
    const issue = (parsed as { issue?: { severity?: string; diagnostics?: string }[] }).issue ?? [];
    const said = issue.map((one) => `${one.severity}: ${one.diagnostics ?? JSON.stringify(one)}`).join("; ");
    return { status: answer.statusCode, body: parsed, line: `${method} ${path} → ${answer.statusCode} ${said}` };
  };
}

/** The id under which the house test keeps one resource of every type. */
export const keptId = "kept";

const jsonPatch = (type: string) => JSON.stringify([{ op: "test", path: "/resourceType", value: type }]);

/** For each interaction on a type, a request that a server which has it answers with 2xx (https://hl7.org/fhir/R4/http.html). */
export const typeInteractions: Readonly<Record<string, (type: string) => DeclaredRequest>> = {
  read: (type) => ({ method: "GET", path: `/${type}/${keptId}` }),
  vread: (type) => ({ method: "GET", path: `/${type}/${keptId}/_history/1` }),
  update: (type) => ({ method: "PUT", path: `/${type}/${keptId}`, body: { ...minimalResource(type), id: keptId } }),
  patch: (type) => ({
    method: "PATCH",
    path: `/${type}/${keptId}`,
    body: jsonPatch(type),
    headers: { "content-type": "application/json-patch+json" },
  }),
  delete: (type) => ({ method: "DELETE", path: `/${type}/to-be-deleted` }),
  "history-instance": (type) => ({ method: "GET", path: `/${type}/${keptId}/_history` }),
  "history-type": (type) => ({ method: "GET", path: `/${type}/_history` }),
  create: (type) => ({ method: "POST", path: `/${type}`, body: minimalResource(type) }),
  "search-type": (type) => ({ method: "GET", path: `/${type}?_id=${keptId}` }),
};

const emptyBundle = (type: string) => ({
  resourceType: "Bundle",
  type,
  entry: [{ request: { method: "GET", url: `Patient/${keptId}` } }],
});

/** The same for interactions on the whole system. */
export const systemInteractions: Readonly<Record<string, DeclaredRequest>> = {
  transaction: { method: "POST", path: "", body: emptyBundle("transaction") },
  batch: { method: "POST", path: "", body: emptyBundle("batch") },
  "search-system": { method: "GET", path: `?_type=Patient,Observation&_id=${keptId}` },
  "history-system": { method: "GET", path: "/_history" },
};

const meta = { tag: [{ system: "https://example.org/tags", code: "seen" }] };
const metaParameters = { resourceType: "Parameters", parameter: [{ name: "meta", valueMeta: meta }] };
const ours = (kind: string, name: string) => encodeURIComponent(`https://tidegate.example/fhir/${kind}/${name}`);

// Enough to look for somebody by, whom nobody here has to be.
const matchedPatient = {
  resourceType: "Patient",
  name: [{ family: "Invented", given: ["Person"] }],
  birthDate: "1980-01-01",
};

/** A request for an operation at `address`: "", `/Type` or `/Type/id`. */
type OperationRequest = (address: string, type: string) => DeclaredRequest;

const get =
  (query: string): OperationRequest =>
  (address) => ({ method: "GET", path: `${address}/$${query}` });

/** For each operation, a request that a server which has it answers with 2xx (https://hl7.org/fhir/R4/operationslist.html). */
export const operationRequests: Readonly<Record<string, OperationRequest>> = {
  validate: (address, type) => ({
    method: "POST",
    path: `${address}/$validate`,
    body: {
      resourceType: "Parameters",
      parameter: [{ name: "resource", resource: { ...minimalResource(type), id: keptId } }],
    },
  }),
  meta: get("meta"),
  "meta-add": (address) => ({ method: "POST", path: `${address}/$meta-add`, body: metaParameters }),
  "meta-delete": (address) => ({ method: "POST", path: `${address}/$meta-delete`, body: metaParameters }),
  everything: get("everything"),
  match: (address) => ({
    method: "POST",
    path: `${address}/$match`,
    body: {
      resourceType: "Parameters",
      parameter: [{ name: "resource", resource: matchedPatient }],
    },
  }),
  lastn: get(`lastn?patient=Patient/${keptId}&code=x`),
  expand: (address) =>
    get(address.split("/").length > 2 ? "expand" : `expand?url=${ours("ValueSet", "device-kind")}`)(address, ""),
  "validate-code": (address) => {
    const code = `system=${ours("CodeSystem", "device-kind")}&code=circuit`;
    const set = address.split("/").length > 2 ? "" : `url=${ours("ValueSet", "device-kind")}&`;
    return get(`validate-code?${set}${code}`)(address, "");
  },
  "evaluate-measure": (address) => {
    const asked = `subject=${keptId}&periodStart=2026-03-01&periodEnd=2026-03-31`;
    const measure = address.split("/").length > 2 ? "" : "&measure=days-used";
    return get(`evaluate-measure?${asked}${measure}`)(address, "");
  },
  export: (address) => ({ ...get("export?_type=Patient")(address, ""), headers: { prefer: "respond-async" } }),
  import: (address) => ({
    method: "POST",
    path: `${address}/$import`,
    body: '{"resourceType":"Organization","name":"Taken in"}\n',
    headers: { "content-type": "application/fhir+ndjson" },
  }),
  status: get("status"),
  events: get("events"),
  lookup: get(`lookup?system=${ours("CodeSystem", "device-kind")}&code=circuit`),
};

/** One parameter of each kind, the first that is not of every type before those that are. */
export function oneOfEachKind(
  parameters: readonly CapabilityStatementRestResourceSearchParam[],
): CapabilityStatementRestResourceSearchParam[] {
  const ownFirst = [...parameters].sort((a, b) => Number(a.name.startsWith("_")) - Number(b.name.startsWith("_")));
  const sample = new Map<string, CapabilityStatementRestResourceSearchParam>();
  for (const one of ownFirst) {
    // Each special parameter is a kind of its own.
    const kind = one.type === "special" ? one.name : one.type;
    if (kind !== undefined && !sample.has(kind)) sample.set(kind, one);
  }
  return [...sample.values()];
}

/** A search that must be taken even by strict handling. */
export function strictSearch(path: string, name: string, value: string): DeclaredRequest {
  const query = new URLSearchParams([[name, value]]).toString();
  return { method: "GET", path: `${path}?${query}`, headers: { prefer: "handling=strict" } };
}

/** A strict search by an example value of a declared parameter. */
export function searchRequest(type: string, parameter: CapabilityStatementRestResourceSearchParam): DeclaredRequest {
  return strictSearch(type === "" ? "" : `/${type}`, ...searchExample(parameter, type === "" ? "Patient" : type));
}
