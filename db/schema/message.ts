import { sql } from "drizzle-orm";
import { index, integer, jsonb, pgTable, primaryKey, uniqueIndex } from "drizzle-orm/pg-core";
import { id, instant, tenant, text, texts } from "./columns.ts";

/** Every HL7 v2 message that came, beside its row in `received_upload`, which keeps the bytes and what became of them. */
export const receivedMessage = pgTable(
  "received_message",
  {
    tenantId: tenant(),
    /** The upload's id. */
    messageId: id("message_id"),
    receivedAt: instant("received_at").notNull(),
    /** Client, sending facility and application: whose control ids must be unique. */
    sender: id("sender"),
    controlId: id("control_id"),
    clientId: id("client_id"),
    messageCode: id("message_code"),
    triggerEvent: id("trigger_event"),
    /** When it happened (EVN-2), else when the message was made (MSH-7). */
    eventAt: instant("event_at"),
    /** MSH-13 of the last message of its sender that came in its turn; null of all others. */
    sequenceNumber: integer("sequence_number"),
    /** What was answered: a resend gets the same. */
    answers: jsonb("answers").notNull(),
    patientIds: texts("patient_ids").notNull(),
    /** The message that this one was sent in place of, by a person. */
    corrects: text("corrects"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.messageId] }),
    // A control id names one message of its sender; what a person corrected keeps it.
    uniqueIndex("received_message_control").on(t.tenantId, t.sender, t.controlId).where(sql`corrects is null`),
    index("received_message_newest").on(t.tenantId, t.receivedAt, t.messageId),
    index("received_message_sequence").on(t.tenantId, t.sender, t.receivedAt).where(sql`sequence_number is not null`),
    index("received_message_patients").using("gin", t.patientIds),
  ],
);
