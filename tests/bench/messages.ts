import { performance } from "node:perf_hooks";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { defaultMessageSettings, type MessageSettings } from "../../src/flows/message-settings.ts";
import { messageContentType, receiveMessage } from "../../src/flows/receive-message.ts";
import { defaultLimits, type Service } from "../../src/flows/service.ts";
import { openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";

/** Messages of each kind that were taken in a second, one connection's worth and several at once. */
export interface MessageRates {
  /** New people, one message after the other, as one MLLP connection sends them. */
  readonly createdPerSecond: number;
  /** Changes of people who are here, likewise. */
  readonly updatedPerSecond: number;
  /** The same over eight connections. */
  readonly updatedAtOncePerSecond: number;
  /** Messages that were sent again: answered from what is kept. */
  readonly repeatedPerSecond: number;
}

const settings: MessageSettings = {
  ...defaultMessageSettings,
  authorities: [{ namespace: "BENCH", system: "urn:example:bench", trust: "certain" }],
};

function text(event: string, controlId: string, person: number, second: number): string {
  const at = `20260101${String(Math.floor(second / 3_600) % 24).padStart(2, "0")}${String(Math.floor(second / 60) % 60).padStart(2, "0")}${String(second % 60).padStart(2, "0")}`;
  return [
    `MSH|^~\\&|PAS|BENCH|TIDEGATE|HOME|${at}||ADT^${event}|${controlId}|P|2.5.1`,
    `EVN||${at}`,
    `PID|||${person}^^^BENCH^MR||Person${person}^Given${person % 97}||19${String(10 + (person % 80))}0304|F|||${person} Mill Lane^^Moor^^NM1^^H||0123${person}^PRN^PH`,
    "PV1|1|O",
    "",
  ].join("\r");
}

/** Measures how many messages a second this database takes in; it must be migrated, and a tenant `bench` is made in it. */
export async function measureMessages(connectionString: string, count = 300): Promise<MessageRates> {
  const database = openDatabase(connectionString);
  try {
    const { tenantId } = await ensureTenant(database, "bench-messages");
    let ids = 0;
    const service: Service = {
      database,
      definitions: createDefinitions({ types: "default" }),
      thresholds: defaultThresholds,
      defaultZone: "Europe/London",
      limits: defaultLimits,
      referencePolicy: "check",
      now: () => Date.now(),
      newId: () => {
        ids += 1;
        return `bench-message-${process.pid}-${ids}`;
      },
      log: { info: () => undefined, warn: () => undefined, error: () => undefined },
    };
    const run = `${Date.now()}`;
    const send = async (message: string) => {
      const arrived = { bytes: Buffer.from(message), clientId: "bench", contentType: messageContentType };
      const answer = await receiveMessage(service, tenantId, settings, arrived);
      if (!answer.ok || answer.value.status !== "accepted") throw new Error(JSON.stringify(answer));
    };
    const base = Math.floor(Date.now() / 1_000) * 1_000;
    const made = Array.from({ length: count }, (_, i) => text("A28", `${run}-c${i}`, base + i, 0));
    const changed = Array.from({ length: count }, (_, i) => text("A31", `${run}-u${i}`, base + i, 1));
    const atOnce = Array.from({ length: count }, (_, i) => text("A31", `${run}-p${i}`, base + i, 2));
    const rate = async (messages: readonly string[], connections = 1) => {
      const start = performance.now();
      const queue = [...messages];
      const work = async () => {
        for (let next = queue.shift(); next !== undefined; next = queue.shift()) await send(next);
      };
      await Promise.all(Array.from({ length: connections }, work));
      return Math.round(messages.length / ((performance.now() - start) / 1_000));
    };
    return {
      createdPerSecond: await rate(made),
      updatedPerSecond: await rate(changed),
      updatedAtOncePerSecond: await rate(atOnce, 8),
      repeatedPerSecond: await rate(changed),
    };
  } finally {
    await database.close();
  }
}
