import type { FastifyInstance } from "fastify";
import type { AuditBuffer } from "../flows/audit-buffer.ts";
import type { ClientKeys } from "../flows/client-keys.ts";
import type { StreamSettings } from "../flows/event-streams.ts";
import type { ExternalTokens } from "../flows/external-token.ts";
import type { MessageSettings } from "../flows/message-settings.ts";
import type { Replica } from "../flows/read-replica.ts";
import type { Service } from "../flows/service.ts";
import type { AccessTokens } from "./bearer.ts";
import type { Closing } from "./closing.ts";
import type { Cursors } from "./cursor.ts";
import type { EdgeSettings } from "./edge-settings.ts";

/** What every door is handed. */
export interface Doors {
  readonly service: Service;
  /** Where reads may go that nothing is decided on; to the primary where absent. */
  readonly replica?: Replica;
  readonly tokens: AccessTokens;
  /** Checks tokens of other issuers; none of them is taken where absent. */
  readonly externalTokens?: ExternalTokens;
  /** Public keys of the clients that sign their assertions; as they are registered where absent. */
  readonly clientKeys?: ClientKeys;
  /** Where every request leaves its mark. */
  readonly trail: Pick<AuditBuffer, "add" | "touch">;
  readonly cursors: Cursors;
  readonly maxBodyBytes: number;
  /** How HL7 v2 messages are read; without it every number in them is claimed only. */
  readonly messages?: MessageSettings;
  /** Origin that links begin with, without a slash at the end; absent means the address of the request. */
  readonly publicBaseUrl?: string;
  /** Addresses and networks (CIDR) of proxies whose Forwarded headers are believed; none unless named. */
  readonly trustedProxies?: readonly string[];
  /** Limits on who comes near and how often; without it nobody is counted and no other origin is let in. */
  readonly edge?: EdgeSettings;
  readonly softwareVersion: string;
  /** When the process started: the date of the capability statement. */
  readonly startedIso: string;
  /** Whether the database answers, takes writes, and is migrated. */
  isReady(): Promise<boolean>;
  /** Bounds on event streams. */
  readonly streams?: StreamSettings;
  /** Whether the process is on its way out; it stays where absent. */
  readonly closing?: Closing;
  /** Puts in place what counts and times the requests, before any other hook; nobody does where absent. */
  readonly watch?: (app: FastifyInstance) => void;
}

/** Sentence that goes with every figure (facts of the intended purpose stand in docs/intended-purpose.md). */
export const cautions =
  "For information: not a monitor and not an alarm. Recorded use is not effectiveness, and records may be late or incomplete. Follow local policy and the licensed clinician's prescription.";
