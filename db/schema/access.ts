import { index, integer, jsonb, pgTable, primaryKey } from "drizzle-orm/pg-core";
import { bytea, id, instant, tenant, text, texts } from "./columns.ts";

/** Systems that may come in, each with the keys that it signs with. */
export const client = pgTable(
  "client",
  {
    tenantId: tenant(),
    clientId: id("client_id"),
    name: text("name").notNull(),
    role: text("role").notNull(),
    /** The most that its tokens may let it do. */
    scopes: texts("scopes").notNull(),
    /** Its public keys, given with it; else they are fetched from `jwksUrl`. */
    jwks: jsonb("jwks"),
    jwksUrl: text("jwks_url"),
    /** It sees this person's compartment only. */
    patientId: text("patient_id"),
    /** It sees the people of this organisation and of those below it only. */
    organizationId: text("organization_id"),
    /** The highest confidentiality that it sees: N, R or V. */
    confidentiality: text("confidentiality").notNull().default("N"),
    version: integer("version").notNull(),
    changedAt: instant("changed_at").notNull(),
    disabledAt: instant("disabled_at"),
  },
  (t) => [primaryKey({ columns: [t.tenantId, t.clientId] })],
);

/** Tokens that were issued, by their hashes. */
export const accessToken = pgTable(
  "access_token",
  {
    tenantId: tenant(),
    tokenHash: bytea("token_hash").notNull(),
    clientId: id("client_id"),
    scopes: texts("scopes").notNull(),
    issuedAt: instant("issued_at").notNull(),
    expiresAt: instant("expires_at").notNull(),
    revokedAt: instant("revoked_at"),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.tokenHash] }),
    // "Which tokens may be forgotten?"
    index("access_token_expiry").on(t.tenantId, t.expiresAt),
  ],
);

/** Assertions that were used, until they would have expired: each is good for one token. */
export const usedAssertion = pgTable(
  "used_assertion",
  {
    tenantId: tenant(),
    clientId: id("client_id"),
    assertionHash: bytea("assertion_hash").notNull(),
    expiresAt: instant("expires_at").notNull(),
  },
  (t) => [
    primaryKey({ columns: [t.tenantId, t.clientId, t.assertionHash] }),
    // "Which may be forgotten?"
    index("used_assertion_expiry").on(t.tenantId, t.expiresAt),
  ],
);
