import { readFileSync } from "node:fs";
import { STATUS_CODES } from "node:http";
import { join } from "node:path";
import { repository } from "../../house/source-tree.ts";
import type { TestApp } from "../app.ts";

/** One request of the guide, as a reader sends it with curl. */
export interface GuideCall {
  readonly method?: "GET" | "POST" | "PUT" | "PATCH" | "DELETE";
  /** From the first slash on. */
  readonly url: string;
  readonly token?: string;
  readonly type?: string;
  readonly headers?: Readonly<Record<string, string>>;
  /** The body: a file of the repository, or JSON. */
  readonly file?: string;
  readonly json?: unknown;
  /** Headers of the answer that are worth a look. */
  readonly look?: readonly string[];
  /** Members that the page leaves out, wherever they stand. */
  readonly without?: readonly string[];
  /** Of each list so many are shown. */
  readonly most?: number;
}

/** What came back. */
export interface GuideAnswer {
  readonly status: number;
  readonly headers: Readonly<Record<string, unknown>>;
  readonly text: string;
}

/** Sends requests and keeps, under the name of each, what a page shows of it. */
export interface Recorder {
  readonly blocks: ReadonlyMap<string, string>;
  call(name: string, call: GuideCall): Promise<GuideAnswer>;
}

const base = "http://127.0.0.1:8080";

/** A recorder at the doors of a test service. */
export function recorderAt(here: TestApp): Recorder {
  const blocks = new Map<string, string>();
  return {
    blocks,
    async call(name, call) {
      if (blocks.has(name)) throw new Error(`two calls are named ${name}`);
      const { method = "GET", url, token, type, headers = {}, file, json } = call;
      const body = json === undefined ? undefined : JSON.stringify(json);
      const payload = file === undefined ? body : readFileSync(join(repository, file));
      const answer = await here.app.inject({
        method,
        url,
        headers: {
          ...(token === undefined ? {} : { authorization: `Bearer ${token}` }),
          ...(type === undefined ? {} : { "content-type": type }),
          ...headers,
        },
        ...(payload === undefined ? {} : { payload }),
      });
      const told = [`HTTP/1.1 ${answer.statusCode} ${STATUS_CODES[answer.statusCode]}`];
      for (const look of call.look ?? []) told.push(`${look}: ${String(answer.headers[look.toLowerCase()])}`);
      if (answer.body !== "") told.push("", shownBody(answer.body, call));
      const text = `\`\`\`sh\n${curlOf(call)}\n\`\`\`\n\n\`\`\`http\n${told.join("\n")}\n\`\`\``;
      blocks.set(name, text.replaceAll("https://gate.test", base));
      return { status: answer.statusCode, headers: answer.headers, text: answer.body };
    },
  };
}

function curlOf({ method = "GET", url, token, type, headers = {}, file, json }: GuideCall): string {
  const given = { ...(token === undefined ? {} : { Authorization: "Bearer $TOKEN" }), ...headers };
  const all = Object.entries(type === undefined ? given : { ...given, "Content-Type": type });
  const parts = [
    `curl -si${method === "GET" || (method === "POST" && (file ?? json) !== undefined) ? "" : ` -X ${method}`} "$BASE${url.replaceAll("$", "\\$")}"`,
    ...all.map(
      ([name, value]) =>
        `-H ${/["$]/.test(value) && !value.includes("$TOKEN") ? `'${name}: ${value}'` : `"${name}: ${value}"`}`,
    ),
    ...(file === undefined ? [] : [`--data-binary @${file}`]),
    ...(json === undefined ? [] : [`-d '${written(json).replaceAll("'", "'\\''")}'`]),
  ];
  return parts.join(" \\\n  ");
}

function shownBody(text: string, { without = [], most = 2 }: GuideCall): string {
  if (!/^[{[]/.test(text)) return text.trim().replaceAll("\r", "\n");
  // An OperationOutcome says the same twice: to machines of R4 and to those of before.
  return written(shortened(JSON.parse(text), new Set(["details", ...without]), most));
}

const widest = 100;

/** JSON as a person would write it: what is short stands in one line. */
function written(value: unknown, indent = ""): string {
  if (typeof value !== "object" || value === null) return JSON.stringify(value);
  const isList = Array.isArray(value);
  const inner = `${indent}  `;
  const parts = isList
    ? (separator: string) => value.map((one) => written(one, separator))
    : (separator: string) =>
        Object.entries(value).map(([name, one]) => `${JSON.stringify(name)}: ${written(one, separator)}`);
  const [first, last] = isList ? ["[", "]"] : ["{", "}"];
  const short = parts("").join(", ");
  const inLine = short === "" || isList ? `${first}${short}${last}` : `${first} ${short} ${last}`;
  if (inLine.length + indent.length <= widest && !inLine.includes("\n")) return inLine;
  return `${first}\n${parts(inner)
    .map((one) => inner + one)
    .join(",\n")}\n${indent}${last}`;
}

const longest = 320;

function shortened(value: unknown, without: ReadonlySet<string>, most: number): unknown {
  if (typeof value === "string") return value.length > longest ? `${value.slice(0, longest - 1)}…` : value;
  if (Array.isArray(value)) {
    const shown = value.slice(0, most).map((one) => shortened(one, without, most));
    return value.length > most ? [...shown, `… ${value.length - most} more`] : shown;
  }
  if (typeof value !== "object" || value === null) return value;
  const kept = Object.entries(value).filter(([name]) => !without.has(name));
  return Object.fromEntries(kept.map(([name, one]) => [name, shortened(one, without, most)]));
}

/** Ids that the service made up are numbered anew on each page: how many it made before, and by what chance, says nothing. */
function numbered(page: string): string {
  const ids = new Map<string, string>();
  return page.replace(/\b(new-?\d+|test\.[\w-]{16}|message-[0-9a-f]{40})(?![\w-])/g, (id) => {
    const kind = id.startsWith("test") ? "client" : id.startsWith("message") ? "message" : "new";
    if (!ids.has(id)) ids.set(id, `${kind}-${ids.size + 1}`);
    return ids.get(id) ?? id;
  });
}

const place = /<!-- call: ([a-z0-9-]+) -->\n[\s\S]*?<!-- end -->/g;

/** The page with what was recorded in its places; throws for a place that nobody filled. */
export function filledPage(page: string, blocks: ReadonlyMap<string, string>): string {
  const bare = page.replace(place, (_, name: string) => `<!-- call: ${name} -->\n<!-- end -->`);
  const filled = bare.replace(place, (_, name: string) => {
    const block = blocks.get(name);
    if (block === undefined) throw new Error(`no call is named ${name}`);
    return `<!-- call: ${name} -->\n${block}\n<!-- end -->`;
  });
  return numbered(filled);
}

/** The names of a page's places. */
export function placesOf(page: string): string[] {
  return [...page.matchAll(place)].map(([, name = ""]) => name);
}
