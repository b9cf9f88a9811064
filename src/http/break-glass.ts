import type { FastifyRequest } from "fastify";
import type { Refused } from "../fhir/outcome.ts";
import { allows } from "../fhir/scopes.ts";
import type { Grant } from "../flows/grant.ts";
import { RefusedRequest } from "./errors.ts";
import { needsOf, needsOfRoute } from "./needs.ts";

/** How long a reason is, in characters. */
export const reasonLength = { least: 10, most: 500 } as const;

/** The header in which a client says why it must read what is withheld from it. */
const header = "break-glass";

/**
 * The grant of a request that breaks the glass: it reads in spite of labels and consents, this once, and its reason goes into
 * the trail. Without the header the grant as it is. Refuses whom the scope is missing, a reason that says nothing, and
 * requests that do more than read.
 */
export function withGlassBroken(request: FastifyRequest, grant: Grant): Grant {
  const sent = request.headers[header];
  if (sent === undefined) return grant;
  if (!allows(grant.scopes, { context: "tidegate", of: "break-glass", to: "c" })) {
    const detail =
      "The token has no scope that allows this: breaking the glass takes tidegate/break-glass.c. Leave the header Break-Glass out, or have the client registered for it.";
    refuse({ kind: "forbidden", detail, status: 403 });
  }
  const reason = readable([sent].flat().join(", ")).trim();
  const { least, most } = reasonLength;
  if (reason.length < least || reason.length > most) {
    const detail = `Break-Glass says in ${least} to ${most} characters why what is withheld must be read now.`;
    refuse({ kind: "value", detail, status: 400 });
  }
  if (!doesNothingButRead(request.method, request.routeOptions.url ?? "")) refuseWriting();
  return { ...grant, breakGlass: reason };
}

/** Refuses a request under a broken glass that would write. */
export function refuseWriting(at?: string): never {
  const detail = "Break-Glass is for reading alone. Leave it out of what creates, changes or deletes.";
  return refuse({ kind: "not-supported", detail, status: 400, ...(at === undefined ? {} : { at }) });
}

function refuse(refusal: Refused): never {
  throw new RefusedRequest([refusal]);
}

/** Node reads headers as Latin-1; what was sent as UTF-8 is told by its bytes. */
function readable(text: string): string {
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(Buffer.from(text, "latin1"));
  } catch {
    return text;
  }
}

/** Whether a route does nothing but read; of a Bundle each entry is asked again. */
export function doesNothingButRead(method: string, url: string): boolean {
  return needsOf(needsOfRoute(method, url) ?? []).every(({ to }) => to === "r" || to === "s");
}
