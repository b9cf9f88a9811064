/** How notifications go out, and the bounds on them. */
export interface NotificationSettings {
  /** Address of the FHIR door as those outside know it: what notifications name resources by. */
  readonly base: string;
  /** Hosts that may be told, such as hooks.example.org or *.example.org; empty for none. */
  readonly hosts: readonly string[];
  /** Networks (CIDR) inside which an endpoint may lie although they are private. */
  readonly privateNetworks: readonly string[];
  /** Whether an endpoint on this very machine may be told, over http as well: for trying things out. */
  readonly loopback: boolean;
  readonly timeoutMs: number;
  /** Tries in a row that fail before a Subscription is in error. */
  readonly mostFailures: number;
  /** The rest after the first failure, which doubles with each, and the longest. */
  readonly firstRestMs: number;
  readonly longestRestMs: number;
  /** Events in one notification. */
  readonly mostEvents: number;
  /** Events that wait for an endpoint before its Subscription is in error. */
  readonly mostWaiting: number;
  /** How long events are kept, told or not. */
  readonly keptMs: number;
}

/** One request to an endpoint. */
export interface Sending {
  readonly method: "POST" | "PUT";
  readonly url: string;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: string;
  readonly timeoutMs: number;
}

/** Sends and answers why it was not taken, in words of ours; undefined where it was. */
export type Send = (sending: Sending) => Promise<string | undefined>;

/** How endpoints are reached: connections are no matter of flows (src/notify). */
export interface WayOut {
  /** What to do about an endpoint that may not be told, as it is written; undefined where it may be. */
  problemOf(endpoint: string): string | undefined;
  readonly send: Send;
}

/** What a service notifies by. */
export type Notifications = NotificationSettings & WayOut;

/** The bounds unless configuration says otherwise; nobody is told anything before hosts are named. */
export const defaultNotificationSettings: NotificationSettings = {
  base: "https://tidegate.invalid/fhir",
  hosts: [],
  privateNetworks: [],
  loopback: false,
  timeoutMs: 10_000,
  // An endpoint that is away for an hour is told by itself, a quarter of an hour after it is back at the latest.
  mostFailures: 18,
  firstRestMs: 2_000,
  longestRestMs: 900_000,
  mostEvents: 50,
  mostWaiting: 10_000,
  keptMs: 7 * 86_400_000,
};

/**
 * How long to rest after so many failures in a row: twice as long each time, and by chance (0 up to 1) a part of that, so that
 * Subscriptions of one endpoint do not come back all at once. At least half of it, never more than the longest.
 */
export function restMs(
  { firstRestMs, longestRestMs }: Pick<NotificationSettings, "firstRestMs" | "longestRestMs">,
  failures: number,
  chance: number,
): number {
  const whole = Math.min(longestRestMs, firstRestMs * 2 ** Math.min(30, Math.max(0, failures - 1)));
  return Math.round(whole * (0.5 + chance / 2));
}

const nobody = "Nobody is told anything here: no hosts are named (NOTIFY_HOSTS).";

/** A service that tells nobody. */
export const noNotifications: Notifications = {
  ...defaultNotificationSettings,
  problemOf: () => nobody,
  send: async () => nobody,
};
