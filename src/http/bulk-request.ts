import type { FastifyReply, FastifyRequest } from "fastify";
import type { TooMany } from "../flows/bulk-jobs.ts";
import { RefusedRequest } from "./errors.ts";
import { pairOf, splitUnquoted } from "./header-text.ts";

/** What the header Prefer of a kick-off says (RFC 7240). The guide has strict handling where nobody says. */
export function bulkPreference(request: FastifyRequest): {
  readonly isAsync: boolean;
  readonly handling: "strict" | "lenient";
} {
  const list = splitUnquoted([request.headers.prefer ?? ""].flat().join(","), ",");
  const pairs = list.map((one) => pairOf(splitUnquoted(one, ";")[0] ?? ""));
  const handling = pairs.find(([name]) => name === "handling")?.[1].toLowerCase();
  return {
    isAsync: pairs.some(([name]) => name === "respond-async"),
    handling: handling === "lenient" ? "lenient" : "strict",
  };
}

/** Refuses a kick-off that does not say that it waits for no answer: there is no other way to export. */
export function requireAsync(request: FastifyRequest): void {
  if (bulkPreference(request).isAsync) return;
  const detail = "An export is asked for with the header Prefer: respond-async.";
  throw new RefusedRequest([{ kind: "required", detail, status: 400 }]);
}

/** Refuses what comes too often or is too much at once, with when to come again (RFC 9110, 10.2.3). */
export function refuseForNow(reply: FastifyReply, { tooMany, retrySeconds }: TooMany): never {
  reply.header("Retry-After", String(retrySeconds));
  throw new RefusedRequest([{ kind: "throttled", detail: tooMany, status: 429 }]);
}

/** A range of a file's bytes, half-open. */
export type ByteRange = readonly [firstByte: number, endByte: number];

/**
 * The one range that a request asks for (RFC 9110, 14.2): undefined for the whole file, as where several are asked for or none
 * can be read; "none" where no byte of the file is in it.
 */
export function rangeAsked(request: FastifyRequest, bytes: number, tag: string): ByteRange | "none" | undefined {
  const { range, "if-range": ifRange } = request.headers;
  if (range === undefined || (ifRange !== undefined && ifRange !== tag)) return undefined;
  const [, from = "", to = ""] = /^bytes=(\d{0,15})-(\d{0,15})$/.exec(range) ?? [];
  if (from === "" && to === "") return undefined;
  // Without a first byte it counts from the end.
  if (from === "") return to === "0" || bytes === 0 ? "none" : [Math.max(0, bytes - Number(to)), bytes];
  const [first, last] = [Number(from), to === "" ? bytes - 1 : Number(to)];
  if (last < first && to !== "") return undefined;
  return first >= bytes ? "none" : [first, Math.min(last + 1, bytes)];
}

/** Whether the client takes gzip (RFC 9110, 12.5.3). */
export function takesGzip(request: FastifyRequest): boolean {
  const list = splitUnquoted([request.headers["accept-encoding"] ?? ""].flat().join(","), ",");
  const qualities = new Map(
    list.map((one) => {
      const [coding = "", ...rest] = splitUnquoted(one, ";");
      const quality = rest.map(pairOf).find(([name]) => name === "q")?.[1];
      return [coding.toLowerCase(), quality === undefined ? 1 : Number(quality)] as const;
    }),
  );
  return (qualities.get("gzip") ?? qualities.get("*") ?? 0) > 0;
}
