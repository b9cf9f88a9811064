import type { TestApp } from "./app.ts";

export type Method = "GET" | "POST" | "PUT" | "DELETE" | "PATCH" | "HEAD";

/** One entry of an answer to a transaction or batch, as far as tests look at it. */
export interface AnswerEntry {
  readonly response: {
    readonly status: string;
    readonly location?: string;
    readonly etag?: string;
    readonly lastModified?: string;
    readonly outcome?: { readonly resourceType: string; readonly issue: readonly Record<string, unknown>[] };
  };
  readonly resource?: Record<string, unknown> & { readonly resourceType: string; readonly id: string };
}

/** Calls the doors of an app with its tenant's token; a body goes as FHIR JSON unless `headers` say otherwise. */
export function callsTo(app: () => TestApp) {
  const call = (method: Method, url: string, body?: unknown, headers: Record<string, string> = {}) => {
    const here = app();
    const payload = body === undefined ? {} : { payload: typeof body === "string" ? body : JSON.stringify(body) };
    const sent = body === undefined ? { authorization: here.headers.authorization } : here.headers;
    return here.app.inject({ method, url, headers: { ...sent, ...headers }, ...payload });
  };
  const sendBundle = async (
    type: "transaction" | "batch",
    entry: readonly unknown[],
    headers: Record<string, string> = {},
  ) => {
    const answer = await call("POST", "/fhir", { resourceType: "Bundle", type, entry }, headers);
    const body = answer.json();
    const entries: AnswerEntry[] = body.entry ?? [];
    return { status: answer.statusCode, body, entries, statuses: entries.map((one) => one.response.status) };
  };
  const read = async (reference: string) => (await call("GET", `/fhir/${reference}`)).json();
  const count = async (query: string): Promise<number> =>
    (await call("GET", `/fhir/${query}${query.includes("?") ? "&" : "?"}_summary=count`)).json().total;
  return { call, sendBundle, read, count };
}

/** `Type/id` of a location that names a version. */
export function placeOf(location: unknown): string {
  return /\/fhir\/(.+)\/_history\/\d+$/.exec(String(location))?.[1] ?? "no version";
}

/** A person with one number of an invented system. */
export const person = (number: string, more: Record<string, unknown> = {}) => ({
  resourceType: "Patient",
  identifier: [{ system: "urn:example:number", value: number }],
  ...more,
});

/** The search that finds `person(number)`. */
export const byNumber = (number: string) => `identifier=urn:example:number|${number}`;

/** An observation about `reference`. */
export const about = (reference: string, more: Record<string, unknown> = {}) => ({
  resourceType: "Observation",
  status: "final",
  code: { text: "Pulse" },
  subject: { reference },
  ...more,
});
