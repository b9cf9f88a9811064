import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { allows, readScopes } from "../fhir/scopes.ts";
import { readHeader } from "../intake/hl7v2/message.ts";
import { findTenant } from "../store/tenant.ts";
import { readClient } from "./client.ts";
import type { Service } from "./service.ts";

/** Which registered client stands behind a sender that has no token: MSH-4 and MSH-3, `*` for any. */
export interface MessageSender {
  readonly facility: string;
  readonly application: string;
  readonly clientId: string;
  /** The name that its certificate must bear, where senders show one. */
  readonly commonName?: string;
}

/** A client as whom a message is written. */
export interface SendingClient {
  readonly tenantId: number;
  readonly clientId: string;
  readonly clientName: string;
}

/**
 * The client of a message that came without a token: the first sender of the list that its MSH-4 and MSH-3 (and its
 * certificate, where the list says so) fit. It must be registered, not disabled, and may send messages.
 */
export async function sendingClient(
  service: Service,
  senders: readonly MessageSender[],
  bytes: Uint8Array,
  commonName?: string,
): Promise<Result<SendingClient>> {
  const header = readHeader(bytes);
  const [facility, application] = header.ok
    ? [header.value.sendingFacility, header.value.sendingApplication]
    : ["", ""];
  const sender = senders.find(
    (one) =>
      fits(one.facility, facility) &&
      fits(one.application, application) &&
      (one.commonName === undefined || one.commonName === commonName),
  );
  if (sender === undefined) return refused(header.ok ? unknownSender : (header.refusals[0] ?? unknownSender));
  const tenant = await findTenant(service.database, sender.clientId.split(".")[0] ?? "");
  const client = tenant && (await readClient(service, tenant.tenantId, sender.clientId));
  if (tenant === undefined || client === undefined || !client.ok) return refused(unknownSender);
  const { name, scopes, disabledMs, patientId, organizationId } = client.value;
  const maySend = allows(readScopes(scopes.join(" ")).scopes, { context: "tidegate", of: "messages", to: "c" });
  if (!maySend || disabledMs !== undefined || patientId !== undefined || organizationId !== undefined)
    return refused(notAllowed);
  return accepted({ tenantId: tenant.tenantId, clientId: sender.clientId, clientName: name });
}

function fits(pattern: string, text: string): boolean {
  return pattern === "*" || pattern === text;
}

const unknownSender: Refusal = {
  kind: "login",
  detail: "This sender (MSH-4 and MSH-3) is not configured here, or its certificate is another's.",
  at: "MSH-4",
};

const notAllowed: Refusal = {
  kind: "forbidden",
  detail: "The client of this sender is disabled, or may not send messages (tidegate/messages.c).",
  at: "MSH-4",
};
