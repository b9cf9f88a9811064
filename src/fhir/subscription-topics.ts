import { safetyRules } from "../domain/rules/catalogue.ts";
import { canonical } from "./terminology/canonical.ts";
import { therapySystems } from "./terminology/therapy.ts";

/** What a Subscription may be about: resources of a type that a search would find. */
export interface Topic {
  /** Its name among ours, such as task-changed. */
  readonly code: string;
  readonly url: string;
  readonly title: string;
  readonly type: string;
  /** What of the type, as the query of a search; empty for all of it. */
  readonly query: string;
}

const safetyCodes = safetyRules.map(({ code }) => `${therapySystems.findingRule}|${code}`).join(",");

/** The topics of this service (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/components.html#subscription-topics). */
export const topics: readonly Topic[] = [
  topic("task-changed", "Task raised or changed", "Task", ""),
  topic(
    "session-recorded",
    "Session recorded",
    "Observation",
    `code=${canonical("CodeSystem", "observation-kind")}|assisted-cough-session`,
  ),
  topic("safety-finding", "Safety finding raised or changed", "Task", `code=${safetyCodes}`),
];

function topic(code: string, title: string, type: string, query: string): Topic {
  return { code, url: canonical("SubscriptionTopic", code), title, type, query };
}

/** A topic by its canonical address. */
export function topicOf(url: string): Topic | undefined {
  return topics.find((one) => one.url === url);
}
