import { sql } from "drizzle-orm";
import { bigint, index, integer, pgTable, primaryKey, smallint } from "drizzle-orm/pg-core";
import { id, instant, tenant, text, texts } from "./columns.ts";

/**
 * What is withheld from whom. Policies ask these two tables and no others: they show all of their tenant, so that a policy
 * can tell what it hides.
 */

/** Current resources that are labelled as restricted or more, one row each; kept by a trigger of `resource`. */
export const resourceLabel = pgTable(
  "resource_label",
  {
    tenantId: tenant(),
    type: text("type").notNull(),
    id: id("id"),
    confidentiality: smallint("confidentiality").notNull(),
    patientId: text("patient_id"),
    /** Of an Observation: the device that made it. */
    deviceId: text("device_id"),
    /** The term by which other resources point to it. */
    referral: bigint("referral", { mode: "bigint" }).generatedAlwaysAs(sql`referral_term(type || '/' || id)`),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.type, t.id] }),
    // "Is something of this person withheld, from which a figure is computed?"
    index("resource_label_patient").on(t.tenantId, t.patientId),
    // "Is a session of this device withheld?"
    index("resource_label_device").on(t.tenantId, t.deviceId).where(sql`device_id is not null`),
    // "Does this point to something withheld?"
    index("resource_label_referral").on(t.tenantId, t.referral),
  ],
);

/** What people deny by a Consent, one row for each rule of it. */
export const consentDenial = pgTable(
  "consent_denial",
  {
    tenantId: tenant(),
    consentId: id("consent_id"),
    position: integer("position").notNull(),
    patientId: id("patient_id"),
    startsAt: instant("starts_at").notNull(),
    endsAt: instant("ends_at").notNull(),
    /** Names of those that are denied; everybody that records are shared with where absent. */
    deniedTo: texts("denied_to"),
    /** Resource types that are denied; every type where absent. */
    types: texts("types"),
    /** Exceptions, each `name/type`; `any` stands for every name or type. */
    permitted: texts("permitted").notNull(),
    /** The term by which other resources point to the person. */
    referral: bigint("referral", { mode: "bigint" }).generatedAlwaysAs(sql`referral_term('Patient/' || patient_id)`),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.consentId, t.position] }),
    // "What does this person deny?"
    index("consent_denial_patient").on(t.tenantId, t.patientId),
    // "Does this point to a person who denies it?"
    index("consent_denial_referral").on(t.tenantId, t.referral),
  ],
);
