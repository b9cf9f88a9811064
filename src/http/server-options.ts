import type { ServerOptions } from "node:http";
import type { ServerOptions as TlsServerOptions } from "node:https";
import type { EdgeSettings, Patience } from "./edge-settings.ts";

/** What the server itself is made with: how long a client may take, how much it may say before a route is found, and TLS. */
export interface EdgeServerOptions {
  readonly connectionTimeout: number;
  readonly keepAliveTimeout: number;
  readonly requestTimeout: number;
  readonly http?: ServerOptions;
  readonly https?: TlsServerOptions;
}

const patience: Patience = { headersMs: 10_000, requestMs: 60_000, checkEveryMs: 2_000 };

/** The request line and all headers together. Node's default, named so that no command line option widens it unseen. */
const maxHeaderBytes = 16_384;

/** How long a client may take to agree on keys; Node's own would be two minutes. */
const handshakeTimeoutMs = 10_000;

/** Options of the server behind the app: with TLS where a certificate is configured, else plain HTTP for a proxy. */
export function serverOptions(edge: EdgeSettings | undefined): EdgeServerOptions {
  const { headersMs, requestMs, checkEveryMs } = { ...patience, ...edge?.patience };
  // Requests on one connection are not counted: Node answers the one too many with 503, and the limit per client holds anyway.
  const times = { connectionTimeout: 75_000, keepAliveTimeout: 60_000, requestTimeout: requestMs };
  const plain: ServerOptions = {
    headersTimeout: headersMs,
    requestTimeout: requestMs,
    connectionsCheckingInterval: checkEveryMs,
    maxHeaderSize: maxHeaderBytes,
  };
  if (edge?.tls === undefined) return { ...times, http: plain };
  const { certificate, key } = edge.tls;
  // Said although it is Node's default: NODE_OPTIONS=--tls-min-v1.0 would lower that.
  return {
    ...times,
    https: { ...plain, cert: certificate, key, minVersion: "TLSv1.2", handshakeTimeout: handshakeTimeoutMs },
  };
}
