/**
 * Every table of the service stands in this folder. drizzle-kit generates the migrations from it; what it cannot say
 * (lz4, roles, row-level security, functions) stands in hand-written migrations beside them.
 * Every key leads with the tenant; no key crosses tenants.
 */
import { customType, integer, text as longText, timestamp } from "drizzle-orm/pg-core";

/** Raw bytes. */
export const bytea = customType<{ data: Buffer }>({ dataType: () => "bytea" });

/** Codes and ids compare byte by byte: quicker, and the same on every server whatever its locale. */
export const text = customType<{ data: string }>({ dataType: () => 'text collate "C"' });

/** Several of them. */
export const texts = customType<{ data: string[] }>({ dataType: () => 'text[] collate "C"' });

/** An id or code that is never absent. */
export const id = (name: string) => text(name).notNull();

/** A resource's JSON text as it is answered. */
export const body = () => longText("body").notNull();

/** The tenant that every key leads with. */
export const tenant = () => integer("tenant_id").notNull();

/** A point in time. */
export const instant = (name: string) => timestamp(name, { withTimezone: true });
