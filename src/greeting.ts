import type { AddressInfo } from "node:net";
import type { FastifyInstance } from "fastify";
import { demoClientNames } from "../seed/demo-clients.ts";
import type { Config } from "./config.ts";
import { writeDemoAccess } from "./http/demo-access.ts";

/** Tells whoever started the service where it listens and, with the demo's token, what to try. */
export async function greet(
  app: FastifyInstance,
  config: Config,
  opened: Readonly<Record<"mllpPort" | "metricsPort", number | undefined>> & { readonly token: string | undefined },
  say: (text: string) => void,
): Promise<void> {
  const { token, mllpPort, metricsPort } = opened;
  const { port } = app.server.address() as AddressInfo;
  const host = config.HOST === "0.0.0.0" || config.HOST === "::" ? "127.0.0.1" : config.HOST;
  const origin =
    config.PUBLIC_BASE_URL ??
    `${config.TLS_CERT_FILE === undefined ? "http" : "https"}://${host.includes(":") ? `[${host}]` : host}:${port}`;
  if (config.ROLE === "worker") {
    say(`\nTidegate's worker is at work. Its door is ${origin}/health/ready`);
    sayMetrics(config, metricsPort, say);
    return;
  }
  say(
    `\nTidegate is listening.\n  FHIR R4    ${origin}/fhir  (capabilities: /fhir/metadata)\n  JSON API   ${origin}/api/v1\n  Reference  ${origin}/docs`,
  );
  if (mllpPort !== undefined)
    say(`  HL7 v2     ${config.TLS_CERT_FILE === undefined ? "mllp" : "mllps"}://${config.MLLP_HOST}:${mllpPort}`);
  sayMetrics(config, metricsPort, say);
  if (token === undefined) return;
  const path = await writeDemoAccess(config.DATA_DIR, { fhirUrl: `${origin}/fhir`, apiUrl: `${origin}/api/v1`, token });
  say(`\nDemo token (also in ${path}):\n  ${token}\n\nTry:\n`);
  const bearer = `-H "Authorization: Bearer ${token}"`;
  say(`# Who needs a call today?\ncurl -s ${bearer} "${origin}/api/v1/caseload?sort=urgency&count=5"\n`);
  say(
    `# The same as Tasks, with the people they are about\ncurl -s ${bearer} "${origin}/fhir/Task?status=requested&priority=urgent&_include=Task:patient"\n`,
  );
  say(
    `# Send a device's memory; send it again and nothing is doubled\ncurl -s ${bearer} -H "Content-Type: application/json" --data-binary @seed/examples/use-record.json ${origin}/api/v1/use-records\n`,
  );
  say(
    `# An HL7 v2 message, acknowledged; send it again and nothing is doubled\ncurl -s ${bearer} -H "Content-Type: application/hl7-v2" --data-binary @seed/messages/adt-a28.hl7 ${origin}/api/v1/hl7v2 | tr "\\r" "\\n"\n`,
  );
  say(`# A token of five minutes for a client of each kind, by its signed assertion (SMART Backend Services)
for client in ${demoClientNames.join(" ")}; do npm run --silent token -- $client; done\n`);
  say(`# Who asked about whom? The trail, for the administrator
curl -s -H "Authorization: Bearer $(npm run --silent token -- administrator)" "${origin}/fhir/AuditEvent?_count=3"\n`);
  say("Every person, hospital and device of the demo is invented. Stop with Ctrl-C.");
}

function sayMetrics({ METRICS_HOST }: Config, port: number | undefined, say: (text: string) => void): void {
  if (port !== undefined) say(`  Metrics    http://${METRICS_HOST}:${port}/metrics`);
}
