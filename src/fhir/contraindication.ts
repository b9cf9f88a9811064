import type { Flag } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { endMsOf, startMsOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { contraindicationConcepts } from "./terminology/codes.ts";
import { contraindicationOf, contraindicationSystem } from "./terminology/contraindications.ts";

const flagCategory = "http://terminology.hl7.org/CodeSystem/flag-category";

/**
 * The contraindication that a safety Flag states, by our catalogue's code or an outside concept that means the same.
 * Any other code counts as relative: somebody must look.
 * Without a start it holds from the day it was recorded.
 */
export function contraindicationFact(flag: Flag, zone: string): Fact[] {
  const patientId = idOf(flag.subject.reference, "Patient");
  if (patientId === undefined || !isSafetyFlag(flag) || flag.status === "entered-in-error") return [];
  const own = flag.code.coding?.find((one) => one.system === contraindicationSystem)?.code ?? meaningOf(flag);
  const entry = own === undefined ? undefined : contraindicationOf(own);
  const first = flag.code.coding?.[0];
  const code = own ?? first?.code ?? "unspecified";
  const startMs = startMsOf(flag.period?.start, zone) ?? startMsOf(flag.meta?.lastUpdated, zone);
  const endMs = endMsOf(flag.period?.end, zone);
  if (startMs === undefined) return [];
  return [
    {
      kind: "contraindication",
      patientId,
      contraindication: {
        flagId: flag.id ?? "",
        code,
        title: entry?.title ?? flag.code.text ?? first?.display ?? code,
        class: entry?.class ?? "relative",
        active: flag.status === "active",
        startMs,
        ...(endMs === undefined ? {} : { endMs }),
      },
    },
  ];
}

/** Whether a Flag is to warn of a danger, whatever it names. */
export function isSafetyFlag(flag: Flag): boolean {
  return (flag.category ?? []).some((one) =>
    one.coding?.some((coding) => coding.system === flagCategory && coding.code === "safety"),
  );
}

function meaningOf(flag: Flag): string | undefined {
  const codings = flag.code.coding ?? [];
  return contraindicationConcepts.find((concept) =>
    codings.some((one) => one.system === concept.system && one.code === concept.code),
  )?.means;
}

/** A safety Flag of the catalogue; `end` stays empty while it warns (https://hl7.org/fhir/R4/flag.html). */
export function contraindicationFlag(flag: {
  id: string;
  patientId: string;
  code: string;
  start: string;
  end?: string;
}): Flag & { id: string } {
  const entry = contraindicationOf(flag.code);
  return {
    resourceType: "Flag",
    id: flag.id,
    status: flag.end === undefined ? "active" : "inactive",
    category: [{ coding: [{ system: flagCategory, code: "safety" }] }],
    code: { coding: [{ system: contraindicationSystem, code: flag.code, display: entry?.title ?? flag.code }] },
    subject: { reference: `Patient/${flag.patientId}` },
    period: { start: flag.start, ...(flag.end === undefined ? {} : { end: flag.end }) },
  };
}
