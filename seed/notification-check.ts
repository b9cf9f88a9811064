import { createHmac, timingSafeEqual } from "node:crypto";

/** What a receiver needs of a request: two header fields and the body as it arrived, byte for byte. */
export interface ArrivedNotification {
  readonly timestamp: string;
  readonly signature: string;
  readonly body: string;
}

/** A notification older than this is not believed: somebody may have kept it. */
const longestSeconds = 300;

/**
 * Whether a notification was signed with the secret of the Subscription, a short while ago. `secret` is what
 * POST /api/v1/subscriptions/[id]/secret answered.
 */
export function isGenuine({ timestamp, signature, body }: ArrivedNotification, secret: string, nowMs: number): boolean {
  if (!/^\d{1,12}$/.test(timestamp) || Math.abs(nowMs / 1_000 - Number(timestamp)) > longestSeconds) return false;
  const key = Buffer.from(secret, "base64url");
  const expected = Buffer.from(`sha256=${createHmac("sha256", key).update(`${timestamp}.${body}`).digest("hex")}`);
  const given = Buffer.from(signature);
  return given.length === expected.length && timingSafeEqual(given, expected);
}

interface Part {
  readonly name: string;
  readonly valueString?: string;
  readonly valueCode?: string;
  readonly valueReference?: { readonly reference: string };
  readonly part?: readonly Part[];
}

/** The kind of a notification and its events, each by number and by the resource that it is about, where that is told. */
export function readNotification(body: string): { kind: string; events: { number: number; focus?: string }[] } {
  const bundle = JSON.parse(body) as { entry: { resource: { parameter: readonly Part[] } }[] };
  const parameters = bundle.entry[0]?.resource.parameter ?? [];
  const events = parameters
    .filter(({ name }) => name === "notification-event")
    .map(({ part = [] }) => {
      const focus = part.find(({ name }) => name === "focus")?.valueReference?.reference;
      const number = Number(part.find(({ name }) => name === "event-number")?.valueString);
      return focus === undefined ? { number } : { number, focus };
    });
  return { kind: parameters.find(({ name }) => name === "type")?.valueCode ?? "", events };
}
