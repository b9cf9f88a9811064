import type { Refused } from "../fhir/outcome.ts";

const tryAgain = "Somebody changed the same at this moment. Send it again.";
const notStorable = "The text holds a character that cannot be stored: U+0000 or half of a surrogate pair. Remove it.";

/** What Fastify itself refuses, in words that say what to do. */
const ownErrors: Readonly<Record<string, Refused>> = {
  FST_ERR_CTP_BODY_TOO_LARGE: {
    kind: "too-long",
    detail: "The body is larger than this service takes. Send it in parts.",
    status: 413,
  },
  FST_ERR_CTP_INVALID_MEDIA_TYPE: {
    kind: "not-supported",
    detail:
      "This Content-Type is not taken here. FHIR resources are sent as application/fhir+json, JSON Patches as application/json-patch+json, searches as application/x-www-form-urlencoded, use records as application/json, text/csv or application/gzip.",
    status: 415,
  },
  FST_ERR_CTP_INVALID_CONTENT_LENGTH: { kind: "structure", detail: "Content-Length and body differ.", status: 400 },
  FST_ERR_CTP_EMPTY_JSON_BODY: { kind: "structure", detail: "The body is empty. Send a JSON object.", status: 400 },
  FST_ERR_CTP_INVALID_JSON_BODY: { kind: "structure", detail: "The body is not JSON.", status: 400 },
  FST_ERR_BAD_URL: { kind: "value", detail: "The address is not a valid URL.", status: 400 },
  FST_ERR_MAX_PARAM_LENGTH: {
    kind: "too-long",
    detail: "A part of the address is too long. An id has at most 64 characters.",
    status: 414,
  },
};

/** What PostgreSQL says of values that no check before it saw through (PostgreSQL manual, appendix A). */
const databaseErrors: Readonly<Record<string, Refused>> = {
  "57014": {
    kind: "too-costly",
    detail: "This took longer than allowed and was stopped. Ask for less: name a patient, a date or a code.",
    status: 422,
  },
  "23505": {
    kind: "duplicate",
    detail: "There is already one like it: a finding has one open Task at most. Change that one instead.",
    status: 409,
  },
  "40001": { kind: "conflict", detail: tryAgain, status: 409 },
  "40P01": { kind: "conflict", detail: tryAgain, status: 409 },
  "55P03": { kind: "conflict", detail: tryAgain, status: 409 },
  "22021": { kind: "value", detail: notStorable, status: 400 },
  "22P05": { kind: "value", detail: notStorable, status: 400 },
  // Half of a surrogate pair is legal in JSON (RFC 8259, 8.2) and illegal in jsonb.
  "22P02": { kind: "value", detail: notStorable, status: 400 },
  "22003": { kind: "value", detail: "A number is too large.", status: 400 },
  "22007": { kind: "value", detail: "A date cannot be read.", status: 400 },
  "22008": { kind: "value", detail: "A date lies outside what can be stored.", status: 400 },
  "54000": { kind: "too-costly", detail: "The request is too large for one statement. Send it in parts.", status: 422 },
};

/** Shut down, crashed, still starting, or out of connections; and what the socket to it says when nobody answers. */
const databaseGone =
  /^(57P0[1-5]|53300|08\w{3}|ECONNREFUSED|ECONNRESET|EPIPE|ETIMEDOUT|EHOSTUNREACH|ENOTFOUND|EAI_AGAIN)$/;

/** What the pool says without a code. */
const poolGone =
  /^(timeout exceeded when trying to connect|Connection terminated|Cannot use a pool after calling end|Client has encountered a connection error)/;

/** Seconds after which a client may try again when the database was away. */
export const retryAfterSeconds = 5;

/** The refusal of an error that a client or an absent database causes; undefined for those that are our own fault. */
export function knownRefusal(error: unknown): Refused | undefined {
  const { code = "", message = "", statusCode } = error as { code?: string; message?: string; statusCode?: number };
  const known = ownErrors[code] ?? databaseErrors[code];
  if (known !== undefined) return known;
  if (databaseGone.test(code) || poolGone.test(message)) {
    const detail = `The database does not answer. Nothing was changed; send it again in ${retryAfterSeconds} seconds.`;
    return { kind: "exception", detail, status: 503 };
  }
  if (statusCode !== undefined && statusCode >= 400 && statusCode < 500) {
    return { kind: "invalid", detail: "The request cannot be understood.", status: statusCode };
  }
  return undefined;
}
