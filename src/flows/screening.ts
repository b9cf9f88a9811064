import { createHash } from "node:crypto";
import type { Flag, QuestionnaireResponse, Resource } from "@medplum/fhirtypes";
import { type Contraindication, isInForce } from "../domain/contraindication.ts";
import { contraindicationFact, contraindicationFlag } from "../fhir/contraindication.ts";
import { endMsOf } from "../fhir/day-range.ts";
import { provenanceOf } from "../fhir/provenance.ts";
import { isScreening, screeningAnswers } from "../fhir/screening.ts";
import { idOf } from "../fhir/session.ts";
import { contraindicationOf } from "../fhir/terminology/contraindications.ts";
import { activeContraindications } from "../store/contraindication.ts";
import type { TenantSession } from "../store/database.ts";
import { lockPatients, readPatients } from "../store/picture.ts";
import { lockResources, referenceOf, type StoredResource } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** What is to be known of a write. */
interface Written {
  readonly type: string;
  readonly id: string;
  /** Absent for a deletion. */
  readonly resource?: Resource;
}

/** Writes that follow from others, with the versions that they replace, locked. */
export interface FollowingWrites {
  readonly writes: readonly Written[];
  readonly current: ReadonlyMap<string, StoredResource>;
}

type Form = QuestionnaireResponse & { id: string };

/** What one code of one screening says, and the Flag that stands or falls with it. */
interface Answer {
  readonly form: Form;
  readonly patientId: string;
  readonly code: string;
  readonly isYes: boolean;
  readonly flagId: string;
  /** The same form before this write, where it was finished by then and about the same person. */
  readonly earlier?: Form;
}

/** An Answer with the zone of its person. */
interface PlacedAnswer extends Answer {
  readonly zone: string;
}

const dayMs = 86_400_000;

/**
 * The Flags that follow from screenings written: each yes raises one, unless a Flag of the code warns for the person
 * already. A yes that an amended form takes back makes the Flag it had raised entered in error, unless somebody has
 * changed that since; so does a form that was entered in error or turns out to be about somebody else. A question that an
 * amended form no longer answers takes nothing back. A no never ends a Flag that a person raised. The same form again
 * changes nothing, but a no that becomes a yes warns anew. `before` holds the versions of the forms that were replaced.
 */
export async function screeningWrites(
  service: Service,
  session: TenantSession,
  writes: readonly Written[],
  before: ReadonlyMap<string, StoredResource>,
): Promise<FollowingWrites> {
  const answers = writes.flatMap((write) => answersOf(write, before.get(referenceOf(write))));
  if (answers.length === 0) return { writes: [], current: new Map() };
  const patientIds = [...new Set(answers.map((answer) => answer.patientId))];
  // Two forms about one person at the same moment raise one Flag of a code.
  await lockPatients(session, patientIds);
  const stored = await lockResources(
    session,
    answers.map((answer) => `Flag/${answer.flagId}`),
  );
  const current = new Map(stored.map((one) => [referenceOf(one), one]));
  const zones = new Map((await readPatients(session, patientIds)).map((one) => [one.patientId, one.zone]));
  const standing = new Map<string, Contraindication[]>();
  for (const flag of await activeContraindications(session, patientIds)) stand(standing, flag.patientId, flag);
  const nowMs = service.now();
  const nowIso = new Date(nowMs).toISOString();
  const flags = answers.flatMap((unplaced) => {
    const answer: PlacedAnswer = { ...unplaced, zone: zones.get(unplaced.patientId) ?? service.defaultZone };
    const stored = current.get(`Flag/${answer.flagId}`);
    if (!answer.isYes) return stored === undefined ? [] : takenBack(stored, answer, nowIso);
    if (stored !== undefined && !isNewlyYes(answer)) return [];
    const flag = raised(answer, nowIso);
    const [stated] = contraindicationFact(flag, answer.zone);
    if (stated?.kind !== "contraindication") return [];
    const { contraindication } = stated;
    const others = standing.get(standsFor(answer)) ?? [];
    if (others.some((other) => warnsAsWell(other, contraindication, nowMs))) return [];
    stand(standing, answer.patientId, contraindication);
    return [flag];
  });
  return { writes: flags.flatMap((flag) => withProvenance(service, flag, nowIso)), current };
}

function standsFor({ patientId, code }: { readonly patientId: string; readonly code: string }): string {
  return `${patientId} ${code}`;
}

function stand(standing: Map<string, Contraindication[]>, patientId: string, flag: Contraindication): void {
  const key = standsFor({ patientId, code: flag.code });
  standing.set(key, [...(standing.get(key) ?? []), flag]);
}

/**
 * Whether a flag that stands already makes another of the same code needless: it warned when the form was written or
 * warns now, and what ends by itself does so until the other would.
 */
function warnsAsWell(standing: Contraindication, other: Contraindication, nowMs: number): boolean {
  if (!isInForce(standing, other.startMs) && !isInForce(standing, nowMs)) return false;
  return other.endMs === undefined || standing.endMs === undefined || standing.endMs >= other.endMs;
}

function answersOf({ type, id, resource }: Written, before: StoredResource | undefined): Answer[] {
  if (type !== "QuestionnaireResponse" || resource === undefined) return [];
  const form = { ...resource, id } as Form;
  const earlier = before === undefined || before.deleted ? undefined : (JSON.parse(before.body) as Form);
  const [patientId, earlierId] = [screenedPatient(form), earlier === undefined ? undefined : screenedPatient(earlier)];
  const withdrawn = form.status === "entered-in-error" || (patientId !== undefined && patientId !== earlierId);
  return [
    ...(earlier !== undefined && earlierId !== undefined && withdrawn
      ? [...screeningAnswers(earlier).keys()].map((code) => answerOf(earlier, earlierId, code, false, earlier))
      : []),
    ...(patientId === undefined
      ? []
      : [...screeningAnswers(form)].map(([code, isYes]) =>
          answerOf(form, patientId, code, isYes, patientId === earlierId ? earlier : undefined),
        )),
  ];
}

/** The person that a finished screening is about; undefined when it is none. */
function screenedPatient(form: Form): string | undefined {
  return isScreening(form) ? idOf(form.subject?.reference, "Patient") : undefined;
}

function answerOf(form: Form, patientId: string, code: string, isYes: boolean, earlier: Form | undefined): Answer {
  const flagId = flagIdOf(form.id, patientId, code);
  return { form, patientId, code, isYes, flagId, ...(earlier === undefined ? {} : { earlier }) };
}

/** The same for the same form, person and code, so that a form sent again raises nothing anew. */
function flagIdOf(formId: string, patientId: string, code: string): string {
  const digest = createHash("sha256").update(`${formId}\n${patientId}\n${code}`).digest("hex");
  return `screening-${digest.slice(0, 32)}`;
}

function raised({ form, patientId, code, flagId, zone }: PlacedAnswer, nowIso: string): Flag & { id: string } {
  const start = form.authored ?? nowIso;
  const flag = contraindicationFlag({ id: flagId, patientId, code, start });
  if (contraindicationOf(code)?.endsByItself !== true) return flag;
  // What ends by itself warns for a day; a form that states only its date may have been written at the end of it.
  const writtenMs = endMsOf(start, zone) ?? Date.parse(nowIso);
  return { ...flag, period: { start, end: new Date(writtenMs + dayMs).toISOString() } };
}

/** Whether no finished form said yes before this write: whoever says it now has seen something new. */
function isNewlyYes({ earlier, code }: Answer): boolean {
  return earlier === undefined || screeningAnswers(earlier).get(code) !== true;
}

/** Only a Flag as the screening made it: what somebody has changed since is theirs. */
function takenBack(before: StoredResource, answer: PlacedAnswer, nowIso: string): (Flag & { id: string })[] {
  if (before.deleted) return [];
  const flag = JSON.parse(before.body) as Flag & { id: string };
  if (flag.status !== "active") return [];
  const { earlier } = answer;
  // One that was raised anew is not the first version; it is known by what it says. A form that states no date raised it
  // at a moment of ours, which only the Flag still tells.
  const asRaised =
    earlier !== undefined &&
    saysTheSame(flag, raised({ ...answer, form: earlier }, earlier.authored ?? flag.period?.start ?? nowIso));
  return before.version === 1 || asRaised ? [{ ...flag, status: "entered-in-error" }] : [];
}

/** Whether a Flag holds what another holds and nothing more. */
function saysTheSame(one: Flag, other: Flag): boolean {
  const elements = (flag: Flag) => Object.keys(flag).filter((name) => name !== "meta");
  const told = ({ period, code }: Flag) => [period?.start, period?.end, code.text, code.coding?.[0]?.code].join("\n");
  return elements(one).sort().join() === elements(other).sort().join() && told(one) === told(other);
}

function withProvenance(service: Service, flag: Flag & { id: string }, nowIso: string): Written[] {
  const provenance = provenanceOf([`Flag/${flag.id}`], "flag-from-screening", nowIso);
  return [
    { type: "Flag", id: flag.id, resource: flag },
    { type: "Provenance", id: service.newId(), resource: provenance },
  ];
}
