import type { Patient } from "@medplum/fhirtypes";
import type { AuthorityRule } from "../../src/domain/identifier-authority.ts";
import type { MessageReport } from "../../src/flows/message-answer.ts";
import { defaultMessageSettings, type MessageSettings } from "../../src/flows/message-settings.ts";
import { messageContentType, receiveMessage } from "../../src/flows/receive-message.ts";
import { readInTenant } from "../../src/store/database.ts";
import { readMany } from "../../src/store/resource.ts";
import type { TestService } from "./service.ts";

/** Authorities of the invented hospital of these tests. */
const authorities: readonly AuthorityRule[] = [
  { namespace: "NHS", system: "https://fhir.nhs.uk/Id/nhs-number", trust: "certain", checkDigit: "nhs-number" },
  { namespace: "NORTHMOOR", system: "urn:example:northmoor", trust: "certain" },
];

/** How the tests read messages. */
export const testSettings: MessageSettings = { ...defaultMessageSettings, authorities };

/** MSH of an invented hospital; `parts` are fields by their numbers, from 13 on. */
export function msh(
  type: string,
  controlId: string,
  sentAt: string,
  parts: Readonly<Record<number, string>> = {},
): string {
  const fields = ["MSH", "^~\\&", "PAS", "NORTHMOOR", "TIDEGATE", "HOME", sentAt, "", type, controlId, "P", "2.5.1"];
  for (const [field, text] of Object.entries(parts)) fields[Number(field) - 1] = text;
  return Array.from(fields, (one) => one ?? "").join("|");
}

/** Segments as one message. */
export const message = (...segments: readonly string[]): string => `${segments.join("\r")}\r`;

/** An ADT message about one person. */
export function adt(event: string, controlId: string, at: string, ...segments: readonly string[]): string {
  return message(msh(`ADT^${event}`, controlId, at), `EVN||${at}`, ...segments);
}

/** A PID by its fields; numbers are of the test's hospital unless they say otherwise. */
export function pid(fields: Readonly<Record<number, string>>): string {
  const parts = ["PID"];
  for (const [field, text] of Object.entries(fields)) parts[Number(field)] = text;
  return Array.from(parts, (one) => one ?? "").join("|");
}

/** A number of the test's hospital. */
export const mrn = (value: string): string => `${value}^^^NORTHMOOR^MR`;

/** Sends texts through the flow as one client, and looks at what is stored. */
export function messenger(test: TestService, settings: MessageSettings = testSettings) {
  const send = async (text: string | Uint8Array, clientId = "test.pas"): Promise<MessageReport> => {
    const bytes = typeof text === "string" ? Buffer.from(text, "utf8") : text;
    const arrived = { bytes, clientId, contentType: messageContentType };
    const answer = await receiveMessage(test.service, test.tenantId, settings, arrived);
    if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
    return answer.value;
  };
  const read = async <T>(reference: string): Promise<T | undefined> => {
    const [stored] = await readInTenant(test.database, test.tenantId, (session) => readMany(session, [reference]));
    return stored && (JSON.parse(stored.body) as T);
  };
  const all = async <T>(type: string): Promise<T[]> =>
    readInTenant(test.database, test.tenantId, async (session) => {
      const rows = await session.query<{ body: string }>(
        "select body from resource where tenant_id = $1 and type = $2 and not deleted order by id",
        [session.tenantId, type],
      );
      return rows.map(({ body }) => JSON.parse(body) as T);
    });
  return { send, read, all };
}

/** MSA-1 of an answer, and what its ERR segments say. */
export function answered(text: string | undefined): { code: string; controlId: string; errors: string[] } {
  // An answer is written with the separator of the message that it answers.
  const separator = text?.[3] ?? "|";
  const segments = (text ?? "").split("\r").map((line) => line.split(separator));
  const msa = segments.find(([name]) => name === "MSA") ?? [];
  const errors = segments.filter(([name]) => name === "ERR").map((fields) => fields[8] ?? "");
  return { code: msa[1] ?? "", controlId: msa[2] ?? "", errors };
}

/** The authority of the numbers of `record`, as a system. */
export const system = "urn:example:northmoor";

/** Ada Harker's record under a number. */
export function record(id: string, number: string, more: Partial<Patient> = {}): Patient & { id: string } {
  return {
    resourceType: "Patient",
    id,
    active: true,
    identifier: [{ system, value: number }],
    name: [{ family: "Harker", given: ["Ada"] }],
    birthDate: "1971-03-04",
    ...more,
  };
}
