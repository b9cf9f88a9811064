import type { ReceivedMoment } from "../domain/received-person.ts";
import type { RecordPair } from "../domain/rules/possible-duplicate.ts";
import type { Header, ReadMessage } from "../intake/hl7v2/message.ts";
import type { TimePlace } from "../intake/hl7v2/time.ts";
import type { TenantSession } from "../store/database.ts";
import type { MessageSettings } from "./message-settings.ts";
import type { Service } from "./service.ts";

/** A message that is kept and read, on its way into the records: everything its deed needs. */
export interface MessageWork {
  readonly service: Service;
  readonly session: TenantSession;
  readonly settings: MessageSettings;
  readonly messageId: string;
  readonly header: Header;
  readonly message: ReadMessage;
  readonly place: TimePlace;
  readonly event: ReceivedMoment;
  readonly found: Found;
}

/** What comes to light on the way, whether the message is taken in or not. */
export interface Found {
  readonly patientIds: Set<string>;
  /** Records that a person should look at. */
  readonly pairs: Omit<RecordPair, "day">[];
  /** What was left as it is, and why; no personal data. */
  readonly notes: string[];
  /** Why the message waits, where mending something outside of it would let it in. */
  reason?: string;
  /** `system|value`. */
  deviceIdentifier?: string;
  deviceId?: string;
  /** Measurements that wait. */
  received?: number;
}

/** Nothing found yet. */
export function nothingFound(): Found {
  return { patientIds: new Set(), pairs: [], notes: [] };
}
