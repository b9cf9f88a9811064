import { type IncomingMessage, request as requestHttp } from "node:http";
import { request as requestHttps } from "node:https";
import type { NotificationSettings, Send, Sending, WayOut } from "../flows/notification-settings.ts";
import { addressOf, endpointProblem, type Resolve, UnfitEndpoint } from "./outside-address.ts";

/** The way out of a service under these settings. */
export function wayOut(settings: NotificationSettings): WayOut {
  return { problemOf: (endpoint) => endpointProblem(endpoint, settings), send: sender(settings) };
}

/**
 * A way out that goes to the addresses alone that may be told, by the very address that was checked, follows no redirection and
 * reads nothing of the answer but its status.
 */
export function sender(settings: NotificationSettings, resolve?: Resolve): Send {
  return async (sending) => {
    // One for all of it: a name server that is silent would keep a Subscription longer than its worker has it.
    const signal = AbortSignal.timeout(sending.timeoutMs);
    try {
      const address = await beforeAbort(addressOf(sending.url, settings, resolve), signal);
      const status = await statusOf(sending, address, signal);
      if (status >= 200 && status < 300) return undefined;
      return status >= 300 && status < 400
        ? `The endpoint answered with ${status}: redirections are not followed.`
        : `The endpoint answered with ${status}.`;
    } catch (error) {
      if (error instanceof UnfitEndpoint) return error.message;
      const { code = "" } = error as { code?: string };
      return code === "ETIMEDOUT"
        ? `The endpoint did not answer within ${sending.timeoutMs} ms.`
        : `The endpoint could not be reached${/^[A-Z_]{1,40}$/.test(code) ? ` (${code})` : ""}.`;
    }
  };
}

function late(): Error {
  return Object.assign(new Error("too late"), { code: "ETIMEDOUT" });
}

function beforeAbort<T>(work: Promise<T>, signal: AbortSignal): Promise<T> {
  return new Promise((resolve, reject) => {
    signal.addEventListener("abort", () => reject(late()), { once: true });
    work.then(resolve, reject);
  });
}

function statusOf({ method, url, headers, body }: Sending, address: string, signal: AbortSignal): Promise<number> {
  return new Promise((resolve, reject) => {
    const family = address.includes(":") ? 6 : 4;
    const start = url.startsWith("https:") ? requestHttps : requestHttp;
    const request = start(url, {
      method,
      headers: { ...headers, "content-length": String(Buffer.byteLength(body)) },
      agent: false,
      // The name stays for the certificate; where to go is settled.
      lookup: (_host, options, done) =>
        options.all === true ? done(null, [{ address, family }]) : done(null, address, family),
      signal,
    });
    request.on("response", (response: IncomingMessage) => {
      resolve(response.statusCode ?? 0);
      // Whatever it says is not read.
      response.destroy();
    });
    request.on("error", (error: Error & { code?: string }) => {
      const isLate = error.name === "TimeoutError" || error.code === "ABORT_ERR" || error.name === "AbortError";
      reject(isLate ? late() : error);
    });
    request.end(body);
  });
}
