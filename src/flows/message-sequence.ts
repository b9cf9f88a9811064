import type { Refusal } from "../domain/result.ts";
import type { TenantSession } from "../store/database.ts";
import { lockText } from "../store/lock.ts";
import { lastSequenceNumber } from "../store/message.ts";
import type { KeptMessage } from "./message-answer.ts";

/** What the number of a message says. */
export interface Sequence {
  /** Its own number, where it came in its turn. */
  readonly number?: number;
  /** MSA-4. */
  readonly expected?: number;
  readonly refusal?: Refusal;
}

/**
 * The sequence number protocol, where MSH-13 asks for it (HL7 v2.3, 2.23.1: numbers are positive and rise by one, and the last one
 * taken is kept before it is acknowledged; 0 begins a link and is answered with the number that comes next). From memory, for the
 * text that we found breaks off there: −1 begins anew, −1 in the answer means any, and the number of the last message is let
 * through, as it was sent again.
 */
export async function checkSequence(session: TenantSession, { header, sender }: KeptMessage): Promise<Sequence> {
  const text = header.sequenceNumber.trim();
  if (text === "") return {};
  if (!/^(-1|\d{1,9})$/.test(text)) {
    return { refusal: { kind: "value", detail: "MSH-13 must be a whole number, or -1.", at: "MSH-13" } };
  }
  await lockText(session, `sequence ${sender}`);
  const last = await lastSequenceNumber(session, sender);
  const number = Number(text);
  // −1 as a number that is kept: from it on any number is taken.
  if (number === -1) return { number, expected: -1 };
  const expected = last === undefined || last === -1 ? -1 : last + 1;
  if (number === 0) return { expected };
  if (expected === -1 || number === expected) return { number, expected: number + 1 };
  if (number === last) return { expected };
  const detail = `The message is number ${number} of its sender, and ${expected} was expected. Send from there on.`;
  return { expected, refusal: { kind: "conflict", detail, at: "MSH-13" } };
}
