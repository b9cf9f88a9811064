import type { Finding } from "../finding.ts";
import type { LocalDay } from "../time.ts";
import type { RuleText } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/** The rule that is about no patient's picture: somebody outside asked to be told, and cannot be. */
export const notificationStopped: RuleText = {
  code: "notification-stopped",
  title: "Subscriber that cannot be told",
  source: "After a number of failed tries that is configured: choice of this service, no published source.",
};

/** A Subscription whose endpoint takes nothing. */
export interface StoppedNotification {
  readonly subscriptionId: string;
  /** Tries in a row that failed. */
  readonly failures: number;
  /** Events that wait. */
  readonly waiting: number;
  readonly sinceDay: LocalDay;
  /** What the last try came to, in words of ours. */
  readonly problem: string;
}

/** The finding that a Subscription is in error; its subject is `subscription:<id>`. */
export function notificationStoppedFinding(stopped: StoppedNotification): Finding {
  const { subscriptionId, failures, waiting, sinceDay, problem } = stopped;
  return {
    rule: notificationStopped.code,
    subject: `subscription:${subscriptionId}`,
    severity: "review",
    safety: false,
    sinceDay,
    text: `Subscription ${subscriptionId} is told nothing since ${dayInWords(sinceDay)}: ${problem} ${counted(waiting, "event")} waited then.`,
    evidence: [
      { name: "failed-tries", text: "Tries in a row that failed.", value: failures, unit: "1" },
      { name: "events-waiting", text: "Events that wait to be told.", value: waiting, unit: "1" },
    ],
    clearsWhen:
      "The endpoint is mended, the Subscription is sent again as requested, and the endpoint answers its handshake.",
    focus: `Subscription/${subscriptionId}`,
  };
}
