import { gunzipSync } from "node:zlib";
import { keepUpBulk } from "../../src/flows/bulk-upkeep.ts";
import { runBulk } from "../../src/flows/run-bulk.ts";
import type { TestApp } from "./app.ts";

/** A manifest as a client reads it. */
export interface Manifest {
  readonly transactionTime: string;
  readonly request: string;
  readonly requiresAccessToken: boolean;
  readonly output: readonly ManifestFile[];
  readonly deleted: readonly ManifestFile[];
  readonly error: readonly ManifestFile[];
  readonly refused?: readonly ManifestFile[];
  readonly counts?: { readonly stored: number; readonly unchanged: number; readonly refused: number };
}

interface ManifestFile {
  readonly type: string;
  readonly url: string;
  readonly count: number;
}

/** A line of a file. */
export type Line = Record<string, unknown> & { readonly resourceType: string; readonly id: string };

/** A small bulk client of a test app: it begins, lets the worker work, asks, and fetches. */
export function bulkClient(here: TestApp, token = here.token) {
  const authorization = `Bearer ${token}`;
  const send = (method: "GET" | "POST" | "DELETE" | "HEAD", url: string, headers: Record<string, string> = {}) =>
    here.app.inject({ method, url: pathOf(url), headers: { authorization, ...headers } });
  const begin = (path: string, headers: Record<string, string> = {}, body?: object | string | Buffer) =>
    here.app.inject({
      method: body === undefined ? "GET" : "POST",
      url: `/fhir${path}`,
      headers: {
        authorization,
        prefer: "respond-async",
        ...(body === undefined ? {} : { "content-type": "application/fhir+json" }),
        ...headers,
      },
      ...(body === undefined
        ? {}
        : { payload: typeof body === "string" || Buffer.isBuffer(body) ? body : JSON.stringify(body) }),
    });
  const jobOf = (answer: { headers: Record<string, unknown>; body: string; statusCode: number }): string => {
    if (answer.statusCode !== 202) throw new Error(answer.body);
    return String(answer.headers["content-location"]);
  };
  const finish = async (address: string, tenantId = here.tenantId): Promise<Manifest> => {
    await runBulk(here.service, tenantId, address.split("/").at(-1) ?? "");
    const answer = await send("GET", address);
    if (answer.statusCode !== 200) throw new Error(`${answer.statusCode} ${answer.body}`);
    return answer.json() as Manifest;
  };
  return {
    send,
    begin,
    jobOf,
    finish,
    keepUp: () => keepUpBulk(here.service),
    /** Everything from the kick-off to the manifest. */
    export: async (path: string, headers?: Record<string, string>, body?: object): Promise<Manifest> =>
      finish(jobOf(await begin(path, headers, body))),
    import: async (lines: string | Buffer, headers: Record<string, string> = {}): Promise<Manifest> =>
      finish(jobOf(await begin("/$import", { "content-type": "application/fhir+ndjson", ...headers }, lines))),
    /** The lines of all these files, each whole: what the manifest counts is checked. */
    lines: async (files: readonly ManifestFile[]): Promise<Line[]> => {
      const all: Line[] = [];
      for (const { url, count } of files) {
        const answer = await send("GET", url, { "accept-encoding": "gzip" });
        if (answer.statusCode !== 200) throw new Error(`${answer.statusCode} ${answer.body}`);
        const text = gunzipSync(answer.rawPayload).toString("utf8");
        const read = text
          .split("\n")
          .slice(0, -1)
          .map((line) => JSON.parse(line) as Line);
        if (read.length !== count || !text.endsWith("\n")) throw new Error(`${read.length} lines, not ${count}`);
        all.push(...read);
      }
      return all;
    },
  };
}

/** Links begin with the public address, which no test listens at. */
function pathOf(url: string): string {
  return url.replace("https://gate.test", "");
}
