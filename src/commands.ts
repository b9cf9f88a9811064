import { writeFile } from "node:fs/promises";
import { type Config, readConfig } from "./config.ts";
import type { Service } from "./flows/service.ts";
import { lastWords } from "./log.ts";
import type { MessageFile } from "./message-file.ts";
import { say } from "./say.ts";

/** Each reads the code it needs when it is asked for: a service that starts has no use for the others'. */
const commands: Readonly<Record<string, (args: readonly string[]) => Promise<void>>> = {
  start: async () => (await import("./serve.ts")).serve(),
  migrate: () => withService(async () => say("The database is at the current schema.")),
  seed: () => withService(async (service) => void (await (await import("./demo.ts")).playDemo(service))),
  rebuild: (args) => withService((service) => rebuildCommand(service, args)),
  "register-client": (args) =>
    withService(async (service) => {
      const { registerClientCommand } = await import("./register-client.ts");
      say(await registerClientCommand(service, args));
    }),
  "verify-audit": (args) =>
    withService(async (service) => {
      const { verifyAuditCommand } = await import("./verify-audit.ts");
      if (!(await verifyAuditCommand(service, args, say))) process.exitCode = 1;
    }),
  "erase-person": (args) => keeping("erase-person", args),
  "apply-retention": (args) => keeping("apply-retention", args),
  "erasure-due": (args) => keeping("erasure-due", args),
  "replay-messages": (args) =>
    withService(async (service, { config }) => {
      const { replayMessagesCommand } = await import("./replay-messages.ts");
      await replayMessagesCommand(service, await messageFileOf(config), args, say);
    }),
  refused: (args) =>
    withService(async (service, { config }) => {
      const { refusedInputCommand } = await import("./refused-input.ts");
      const { settings } = await messageFileOf(config);
      const write = (bytes: Uint8Array) => void process.stdout.write(bytes);
      await refusedInputCommand(service, args, { settings, maxBytes: config.MAX_BODY_BYTES, say, write });
    }),
  openapi: writeOpenApi,
  definitions: writeDefinitions,
};

/** Runs one command of the service, `start` unless another is named; what goes wrong ends the process with its last words. */
export async function runCommand([name = "start", ...args]: readonly string[]): Promise<void> {
  const command = Object.hasOwn(commands, name) ? commands[name] : undefined;
  if (command === undefined) {
    say(`Unknown command. Use one of: ${Object.keys(commands).join(", ")}.`);
    process.exitCode = 2;
    return;
  }
  await command(args).catch((error: unknown) => {
    process.stderr.write(`${lastWords(error)}\n`);
    process.exit(1);
  });
}

/** Opens the store for a command that ends by itself. */
async function withService(
  work: (service: Service, place: { ownerUrl: string; config: Config }) => Promise<void>,
): Promise<void> {
  const { definitionsOf, openConfigured, serviceOn } = await import("./configured-service.ts");
  const { logOf } = await import("./log.ts");
  const config = readConfig();
  const log = logOf(config);
  const definitions = definitionsOf(config);
  const store = await openConfigured(config, log);
  try {
    await work(serviceOn(store.database, definitions, config, log), { ownerUrl: store.ownerUrl, config });
  } finally {
    await store.close();
  }
}

async function messageFileOf(config: Config): Promise<MessageFile> {
  const { readMessageFile } = await import("./message-file.ts");
  const { withDemoSender } = await import("./message-listener.ts");
  const file = await readMessageFile(config);
  // Where the demo was played, its hospital's numbers are believed as the listener believes them.
  return config.DEMO === "off" ? file : withDemoSender(file, config.DATA_DIR).catch(() => file);
}

/** Makes derived rows anew, going on where an earlier run was interrupted unless told to begin. */
async function rebuildCommand(service: Service, args: readonly string[]): Promise<void> {
  const { rebuild } = await import("./flows/rebuild.ts");
  const unknown = args.find((one) => one !== "--begin");
  if (unknown !== undefined) throw new Error("Call it as:\n  rebuild [--begin]");
  await rebuild(service, {
    start: args.includes("--begin") ? "begin" : "go-on",
    onProgress: ({ tenant, type, done, total, rate }) =>
      say(`${tenant}: ${done} of ${total} resources, ${type}, ${Math.round(rate)} a second`),
  });
  say("Every derived row is made anew.");
}

async function keeping(name: string, args: readonly string[]): Promise<void> {
  const { keepingCommands } = await import("./keeping-commands.ts");
  await withService(async (service, place) => keepingCommands[name]?.({ ...place, service, args, say }));
}

async function writeOpenApi(): Promise<void> {
  const { freshOpenApi } = await import("./app.ts");
  const { softwareVersion } = await import("./configured-service.ts");
  const { createDefinitions } = await import("./fhir/definitions.ts");
  const { ownProfileResources } = await import("./fhir/profiles/conformance.ts");
  const { accessMatrix } = await import("./http/access-matrix.ts");
  const { useRecordJsonSchema } = await import("./intake/use-record-schema.ts");
  const folder = new URL("../openapi/", import.meta.url);
  await writeFile(new URL("openapi.json", folder), await freshOpenApi(await softwareVersion()));
  const { types } = createDefinitions({ types: "default", profiles: ownProfileResources });
  await writeFile(new URL("../docs/access.md", import.meta.url), accessMatrix(types));
  await writeFile(new URL("use-record.schema.json", folder), `${JSON.stringify(useRecordJsonSchema(), null, 2)}\n`);
}

/** R4's definitions as far as the service reads them at its start, made anew from the package that carries all of them. */
async function writeDefinitions(): Promise<void> {
  const { packedStructures } = await import("./fhir/r4/pack-structures.ts");
  const { packedSearchParameters } = await import("./fhir/r4/pack-search-parameters.ts");
  const folder = new URL("fhir/r4/", import.meta.url);
  await writeFile(new URL("structures.ndjson", folder), packedStructures());
  await writeFile(new URL("search-parameters.ndjson", folder), packedSearchParameters());
}
