import type { FastifyRequest } from "fastify";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";

/** Refuses a Host that is no host (RFC 9112, 3.2): links in the answer would begin with it. */
export function requireHost(request: FastifyRequest): void {
  const { host } = request.headers;
  if (host === undefined || host === "" || /^(\[[0-9a-f:.]+\]|[\w.-]+)(:\d{1,5})?$/i.test(host)) return;
  throw new RefusedRequest([{ kind: "value", detail: "The Host header is no host name.", status: 400 }]);
}

/** Origin that links begin with: as configured, else as this client named it, else where it arrived (HTTP/1.0). */
export function originOf(doors: Pick<Doors, "publicBaseUrl">, request: FastifyRequest): string {
  const { localAddress = "localhost", localPort } = request.socket;
  const arrivedAt = `${localAddress.includes(":") ? `[${localAddress}]` : localAddress}:${localPort}`;
  return doors.publicBaseUrl ?? `${request.protocol}://${request.host || arrivedAt}`;
}
