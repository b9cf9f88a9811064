import { checkDigits } from "./check-digit/check-digits.ts";
import type { ReceivedAuthority, ReceivedIdentifier } from "./received-person.ts";
import { accepted, type Result, refused } from "./result.ts";

/**
 * How far an identifier may be believed: `certain` names one person for good, so who carries it is that person; `claimed` is
 * believed only where the rest of the record agrees.
 */
export type IdentifierTrust = "certain" | "claimed";

/** One authority that identifiers come from, as the operator configured it. */
export interface AuthorityRule {
  /** The local name of CX-4.1; matched without regard to case. */
  readonly namespace?: string;
  /** The id of CX-4.2. */
  readonly universalId?: string;
  /** Identifier.system of what it gives. */
  readonly system: string;
  readonly trust: IdentifierTrust;
  /** Name of a check in `check-digit/`; a number that fails it is refused. */
  readonly checkDigit?: keyof typeof checkDigits;
}

/** An identifier under its FHIR system. */
export interface SettledIdentifier {
  readonly system: string;
  readonly value: string;
  readonly typeCode?: string;
  readonly trust: IdentifierTrust;
}

/**
 * An identifier under the system of its authority. One that no rule knows is `claimed`, under a system made of the
 * authority's own id, or of its name below `unknownBase`; without any authority, of `sender`, who then speaks for itself.
 */
export function settleIdentifier(
  received: ReceivedIdentifier,
  rules: readonly AuthorityRule[],
  unknown: { readonly base: string; readonly sender: string },
): Result<SettledIdentifier> {
  const rule = rules.find((one) => isOf(one, received.authority));
  const typeCode = received.typeCode === undefined ? {} : { typeCode: received.typeCode };
  const value = received.value.replace(/\s+/g, rule?.checkDigit === undefined ? " " : "");
  if (rule === undefined) {
    const system = unknownSystem(received.authority, unknown);
    return accepted({ system, value, ...typeCode, trust: "claimed" });
  }
  const check = rule.checkDigit === undefined ? undefined : checkDigits[rule.checkDigit];
  if (check !== undefined && !check.isValid(value)) {
    const detail = `The number is no valid ${check.title}: its check digit or its form is wrong. Correct it at its source.`;
    return refused({ kind: "value", detail, at: received.at });
  }
  return accepted({ system: rule.system, value, ...typeCode, trust: rule.trust });
}

function isOf(rule: AuthorityRule, authority: ReceivedAuthority): boolean {
  const { namespace, universalId } = authority;
  if (rule.universalId !== undefined && universalId !== undefined) return rule.universalId === universalId;
  if (rule.namespace === undefined || namespace === undefined) return false;
  return rule.namespace.toUpperCase() === namespace.toUpperCase();
}

/** The system of an authority that nobody has configured: what the message itself says of it. */
export function unknownSystem(
  { namespace, universalId, universalIdType = "" }: ReceivedAuthority,
  { base, sender }: { readonly base: string; readonly sender: string },
): string {
  const id = universalId?.trim() ?? "";
  const kind = universalIdType.toUpperCase();
  if (kind === "ISO" && /^[0-2](\.(0|[1-9]\d*))+$/.test(id)) return `urn:oid:${id}`;
  if (kind === "UUID" && /^[0-9a-f-]{36}$/i.test(id)) return `urn:uuid:${id.toLowerCase()}`;
  if (kind === "URI" && /^[a-z][a-z0-9+.-]*:\S+$/i.test(id)) return id;
  return `${base}/${encodeURIComponent(namespace ?? (id === "" ? sender : id))}`;
}
