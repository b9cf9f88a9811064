import type { AuditBuffer } from "../flows/audit-buffer.ts";
import type { ClientKeys } from "../flows/client-keys.ts";
import type { ExternalTokens } from "../flows/external-token.ts";
import type { Service } from "../flows/service.ts";
import type { AccessTokens } from "./bearer.ts";
import type { Cursors } from "./cursor.ts";
import type { EdgeSettings } from "./edge-settings.ts";

/** What every door is handed. */
export interface Doors {
  readonly service: Service;
  readonly tokens: AccessTokens;
  /** Checks tokens of other issuers; none of them is taken where absent. */
  readonly externalTokens?: ExternalTokens;
  /** Public keys of the clients that sign their assertions; as they are registered where absent. */
  readonly clientKeys?: ClientKeys;
  /** Where every request leaves its mark. */
  readonly trail: Pick<AuditBuffer, "add" | "touch">;
  readonly cursors: Cursors;
  readonly maxBodyBytes: number;
  /** Origin that links begin with, without a slash at the end; absent means the address of the request. */
  readonly publicBaseUrl?: string;
  /** Addresses and networks (CIDR) of proxies whose Forwarded headers are believed; none unless named. */
  readonly trustedProxies?: readonly string[];
  /** Limits on who comes near and how often; without it nobody is counted and no other origin is let in. */
  readonly edge?: EdgeSettings;
  readonly softwareVersion: string;
  /** When the process started: the date of the capability statement. */
  readonly startedIso: string;
  /** Whether the database answers and is migrated. */
  isReady(): Promise<boolean>;
}

/** Sentence that goes with every figure (facts of the intended purpose stand in docs/intended-purpose.md). */
export const cautions =
  "For information: not a monitor and not an alarm. Recorded use is not effectiveness, and records may be late or incomplete. Follow local policy and the licensed clinician's prescription.";
