import { createHash } from "node:crypto";
import type { Flag, QuestionnaireResponse, Resource } from "@medplum/fhirtypes";
import { contraindicationFlag } from "../fhir/contraindication.ts";
import { provenanceOf } from "../fhir/provenance.ts";
import { isScreening, screeningAnswers } from "../fhir/screening.ts";
import { idOf } from "../fhir/session.ts";
import { contraindicationOf } from "../fhir/terminology/contraindications.ts";
import { activeContraindications } from "../store/contraindication.ts";
import type { TenantSession } from "../store/database.ts";
import { lockPatients } from "../store/picture.ts";
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

/** What one code of one screening says, and the Flag that stands or falls with it. */
interface Answer {
  readonly response: QuestionnaireResponse & { id: string };
  readonly patientId: string;
  readonly code: string;
  readonly isYes: boolean;
  readonly flagId: string;
  /** The same form before this write, where it was finished by then. */
  readonly earlier?: QuestionnaireResponse & { id: string };
}

const dayMs = 86_400_000;

/**
 * The Flags that follow from screenings written: each yes raises one, unless an active Flag of the code stands for the
 * person already; a yes that an amended form takes back makes the Flag it had raised entered in error, unless somebody
 * has changed that since. A no never ends a Flag that a person raised. The same form again changes nothing, but a no that
 * becomes a yes warns anew. `before` holds the versions of the forms that were replaced.
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
  const standing = new Set((await activeContraindications(session, patientIds)).map(standsFor));
  const nowIso = new Date(service.now()).toISOString();
  const flags = answers.flatMap((answer) => {
    const flag = current.get(`Flag/${answer.flagId}`);
    if (!answer.isYes) return flag === undefined ? [] : takenBack(flag, answer);
    if (standing.has(standsFor(answer)) || (flag !== undefined && !isNewlyYes(answer))) return [];
    standing.add(standsFor(answer));
    return [raised(answer, nowIso)];
  });
  return { writes: flags.flatMap((flag) => withProvenance(service, flag, nowIso)), current };
}

function standsFor({ patientId, code }: { readonly patientId: string; readonly code: string }): string {
  return `${patientId} ${code}`;
}

function answersOf({ type, id, resource }: Written, before: StoredResource | undefined): Answer[] {
  if (type !== "QuestionnaireResponse" || resource === undefined) return [];
  const response = { ...resource, id } as QuestionnaireResponse & { id: string };
  const patientId = idOf(response.subject?.reference, "Patient");
  if (patientId === undefined || !isScreening(response)) return [];
  const parsed =
    before === undefined || before.deleted
      ? undefined
      : (JSON.parse(before.body) as QuestionnaireResponse & { id: string });
  const earlier = parsed !== undefined && isScreening(parsed) ? parsed : undefined;
  return [...screeningAnswers(response)].map(([code, isYes]) => ({
    response,
    patientId,
    code,
    isYes,
    flagId: flagIdOf(id, code),
    ...(earlier === undefined ? {} : { earlier }),
  }));
}

/** The same for the same form and code, so that a form sent again raises nothing anew. */
function flagIdOf(responseId: string, code: string): string {
  return `screening-${createHash("sha256").update(`${responseId}\n${code}`).digest("hex").slice(0, 32)}`;
}

function raised({ response, patientId, code, flagId }: Answer, nowIso: string): Flag & { id: string } {
  const start = response.authored ?? nowIso;
  const momentary = contraindicationOf(code)?.endsByItself === true;
  const flag = contraindicationFlag({ id: flagId, patientId, code, start });
  if (!momentary) return flag;
  // What ends by itself warns for a day.
  return { ...flag, period: { start, end: new Date(Date.parse(start) + dayMs).toISOString() } };
}

/** Whether no finished form said yes before this write: whoever says it now has seen something new. */
function isNewlyYes({ earlier, code }: Answer): boolean {
  return earlier === undefined || screeningAnswers(earlier).get(code) !== true;
}

/** Only a Flag as the screening made it: what somebody has changed since is theirs. */
function takenBack(before: StoredResource, answer: Answer): (Flag & { id: string })[] {
  if (before.deleted) return [];
  const flag = JSON.parse(before.body) as Flag & { id: string };
  if (flag.status !== "active") return [];
  const { earlier } = answer;
  // One that was raised anew is not the first version; it is known by what it says.
  const asRaised = earlier !== undefined && saysTheSame(flag, raised({ ...answer, response: earlier }, ""));
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
