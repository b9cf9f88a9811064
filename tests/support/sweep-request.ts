import { neighboursNumber } from "./neighbour.ts";

/** One request about what is the neighbour's. A body that is no text goes as JSON. */
export interface Swept {
  readonly url: string;
  readonly body?: unknown;
  readonly type?: string;
  readonly headers?: Readonly<Record<string, string>>;
}

/** Requests of each route of the table, reads before writes before deletions: what one leaves behind the next may meet. */
export type Sweep = Readonly<Record<string, readonly Swept[]>>;

export const number = `identifier=${neighboursNumber}`;
const form = "application/x-www-form-urlencoded";
export const bundle = (type: string, entry: readonly object[]) => ({ resourceType: "Bundle", type, entry });
export const entryOf = (method: string, url: string, resource?: object, more: object = {}) => ({
  ...(resource === undefined ? {} : { resource }),
  request: { method, url, ...more },
});
export const parameters = (...parameter: object[]) => ({ resourceType: "Parameters", parameter });
export const bert = { resourceType: "Patient", id: "bert", active: true };
export const about = {
  resourceType: "Observation",
  status: "final",
  code: { text: "x" },
  subject: { reference: "Patient/bert" },
};
export const numbered = { resourceType: "Patient", identifier: [{ system: "urn:example:next-door", value: "4711" }] };
export const likeBert = {
  resourceType: "Patient",
  name: [{ family: "Nextdoor", given: ["Bert"] }],
  birthDate: "1971-03-04",
};
export const gets = (...urls: readonly string[]): Swept[] => urls.map((url) => ({ url }));
export const forms = (...pairs: readonly (readonly [url: string, body: string])[]): Swept[] =>
  pairs.map(([url, body]) => ({ url, body, type: form }));
