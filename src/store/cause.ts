/** What a piece of work goes back to: the request that asked for it, and the span it belongs to where spans are told. */
export interface Cause {
  /** As the answer's X-Request-Id names it. */
  readonly requestId: string;
  /** W3C Trace Context, `traceparent` (https://www.w3.org/TR/trace-context/#traceparent-header). */
  readonly traceparent?: string;
}

const requestIds = /^[A-Za-z0-9._:-]{1,64}$/;
const traceparents = /^00-[0-9a-f]{32}-[0-9a-f]{16}-[0-9a-f]{2}$/;

/**
 * A cause as the transaction's setting and the payload of a job hold it; undefined for one that cannot stand there. It becomes
 * part of a statement's text, so nothing but these letters may.
 */
export function causeText({ requestId, traceparent }: Cause): string | undefined {
  if (!requestIds.test(requestId)) return undefined;
  return traceparent !== undefined && traceparents.test(traceparent) ? `${requestId} ${traceparent}` : requestId;
}

/** Reads what `causeText` wrote; undefined for anything else. */
export function readCause(text: unknown): Cause | undefined {
  if (typeof text !== "string") return undefined;
  const [requestId = "", traceparent, ...more] = text.split(" ");
  if (!requestIds.test(requestId) || more.length > 0) return undefined;
  return traceparent !== undefined && traceparents.test(traceparent) ? { requestId, traceparent } : { requestId };
}
