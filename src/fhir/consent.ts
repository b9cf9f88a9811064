import type { Consent, ConsentProvision, ConsentProvisionActor } from "@medplum/fhirtypes";
import type { ConsentDenial } from "../domain/consent.ts";
import type { Fact } from "../domain/facts.ts";
import { endMsOf, startMsOf } from "./day-range.ts";
import { resourceTypes } from "./definitions.ts";
import { hash64 } from "./search/atoms.ts";
import { idOf } from "./session.ts";
import { canonicalBase } from "./terminology/canonical.ts";

/** Identifiers of registered clients, by which a Consent names one as an actor. */
export const clientSystem = `${canonicalBase}/sid/client`;

const scopeSystem = "http://terminology.hl7.org/CodeSystem/consentscope";
const typeSystem = "http://hl7.org/fhir/resource-types";
const actCode = "http://terminology.hl7.org/CodeSystem/v3-ActCode";

/** The name of a client or an organisation in a denial: short, and the same whatever letters its id has. */
export function askerName(kind: "client" | "organization", id: string): string {
  return hash64(`${kind}\n${id}`);
}

/**
 * What an active privacy Consent denies to those that records are shared with (https://hl7.org/fhir/R4/consent.html). Actors
 * narrow a denial to clients and organisations, classes to resource types; permits inside it are exceptions. What else
 * narrows it is not looked at, so that it denies more; what is no exception we understand is none. An empty list where it
 * denies nothing.
 */
export function consentDenials(consent: Consent, zone: string): Fact[] {
  const patientId = idOf(consent.patient?.reference, "Patient");
  const isPrivacy = consent.scope.coding?.some(
    ({ system, code }) => system === scopeSystem && code === "patient-privacy",
  );
  if (patientId === undefined || isPrivacy !== true || consent.status !== "active") return [];
  const root = consent.provision ?? {};
  return rulesOf(consent, root).map((rule, position) => ({
    kind: "consent-denial",
    denial: {
      consentId: consent.id ?? "",
      position,
      patientId,
      ...timeOf([{ start: consent.dateTime }, root.period ?? {}, rule.period ?? {}], zone),
      ...extentOf(rule),
    },
  }));
}

/** The rules that deny. A base policy to opt out whose provision does not say what it is denies everything. */
function rulesOf({ policyRule }: Consent, root: ConsentProvision): readonly ConsentProvision[] {
  const isOptOut = policyRule?.coding?.some(({ system, code }) => system === actCode && code === "OPTOUT");
  if (root.type === undefined && isOptOut === true) return [root.period === undefined ? {} : { period: root.period }];
  return denying(root);
}

/** A denial may stand inside a permit, as an exception to it. */
function denying(rule: ConsentProvision): readonly ConsentProvision[] {
  return rule.type === "deny" ? [rule] : (rule.provision ?? []).flatMap(denying);
}

/** From when the last of them begins until the first of them ends. */
function timeOf(
  periods: readonly { readonly start?: string | undefined; readonly end?: string | undefined }[],
  zone: string,
): Pick<ConsentDenial, "startMs" | "endMs"> {
  return {
    startMs: Math.max(...periods.map(({ start }) => startMsOf(start, zone) ?? Number.NEGATIVE_INFINITY)),
    endMs: Math.min(...periods.map(({ end }) => endMsOf(end, zone) ?? Number.POSITIVE_INFINITY)),
  };
}

function extentOf(rule: ConsentProvision): Pick<ConsentDenial, "deniedTo" | "types" | "permitted"> {
  const nested = rule.provision ?? [];
  // A denial inside a denial adds to it, nobody can say how far; what modifies a rule may turn it round.
  if (rule.modifierExtension !== undefined || nested.some(({ type }) => type !== "permit")) return { permitted: [] };
  const deniedTo = all(rule.actor, nameOf);
  const types = all(rule.class, typeOf);
  return {
    ...(deniedTo === undefined ? {} : { deniedTo }),
    ...(types === undefined ? {} : { types }),
    permitted: [...new Set(nested.flatMap(permittedBy))],
  };
}

/** What each stands for; undefined where there is none, or one is not understood: then nothing is narrowed. */
function all<T>(list: readonly T[] | undefined, read: (one: T) => string | undefined): string[] | undefined {
  const values = (list ?? []).map(read);
  return values.length === 0 || values.includes(undefined) ? undefined : values.flatMap((one) => one ?? []);
}

const understoodOfPermit = new Set(["id", "extension", "type", "actor", "class"]);

/** The exceptions that a permit makes; none where it is limited by anything that is not understood, or by nothing. */
function permittedBy(permit: ConsentProvision): string[] {
  const { actor, class: classes } = permit;
  const isUnderstood = Object.keys(permit).every((key) => understoodOfPermit.has(key));
  if (!isUnderstood || (actor === undefined && classes === undefined)) return [];
  const names = actor === undefined ? ["any"] : actor.flatMap((one) => nameOf(one) ?? []);
  const types = classes === undefined ? ["any"] : classes.flatMap((one) => typeOf(one) ?? []);
  return names.flatMap((name) => types.map((type) => `${name}/${type}`));
}

/** A client by its identifier, or an organisation of this service; undefined for whoever else an actor may be. */
function nameOf({ reference, modifierExtension }: ConsentProvisionActor): string | undefined {
  const { reference: literal, identifier } = reference ?? {};
  if (modifierExtension !== undefined || (literal !== undefined && identifier !== undefined)) return undefined;
  if (identifier?.system === clientSystem && identifier.value !== undefined)
    return askerName("client", identifier.value);
  // Of an absolute address nobody here can say whether it is our own.
  const id = /^Organization\/([A-Za-z0-9\-.]{1,64})$/.exec(literal ?? "")?.[1];
  return id === undefined ? undefined : askerName("organization", id);
}

function typeOf({ system, code }: { readonly system?: string; readonly code?: string }): string | undefined {
  return system === typeSystem && code !== undefined && resourceTypes().includes(code) ? code : undefined;
}
