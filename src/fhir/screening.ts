import type { QuestionnaireResponse, QuestionnaireResponseItem } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { firstDayOf } from "./day-range.ts";
import { screeningUrl } from "./screening-questionnaire.ts";
import { idOf } from "./session.ts";
import { withoutVersion } from "./terminology/canonical.ts";
import { contraindicationCatalogue } from "./terminology/contraindications.ts";

/** Statuses of a form that somebody has finished (https://hl7.org/fhir/R4/valueset-questionnaire-answers-status.html). */
const finished: ReadonlySet<string> = new Set(["completed", "amended"]);

/** Whether these are the answers of a finished screening for contraindications. */
export function isScreening(response: QuestionnaireResponse): boolean {
  return withoutVersion(response.questionnaire ?? "") === screeningUrl && finished.has(response.status);
}

/** That the person was screened, on the day the answers were written, else recorded. */
export function screeningFact(response: QuestionnaireResponse, zone: string): Fact[] {
  const patientId = idOf(response.subject?.reference, "Patient");
  const day = firstDayOf(response.authored ?? response.meta?.lastUpdated, zone);
  if (patientId === undefined || day === undefined || !isScreening(response)) return [];
  return [{ kind: "screening", patientId, screening: { responseId: response.id ?? "", day } }];
}

/** Yes and no by the code of the catalogue, groups and follow-up items included; what was not answered is missing. */
export function screeningAnswers(response: QuestionnaireResponse): ReadonlyMap<string, boolean> {
  const codes = new Set(contraindicationCatalogue.map((entry) => entry.code));
  const answers = new Map<string, boolean>();
  const read = (items: readonly QuestionnaireResponseItem[]) => {
    for (const { linkId, answer = [], item = [] } of items) {
      for (const one of answer) {
        // Asked twice and answered yes once: somebody must look.
        if (codes.has(linkId ?? "") && one.valueBoolean !== undefined) {
          answers.set(linkId ?? "", one.valueBoolean || answers.get(linkId ?? "") === true);
        }
        read(one.item ?? []);
      }
      read(item);
    }
  };
  read(response.item ?? []);
  return answers;
}

/** A finished screening that found these codes of the catalogue, and none of the others. */
export function screeningResponse(screening: {
  id: string;
  patientId: string;
  authored: string;
  found: readonly string[];
}): QuestionnaireResponse & { id: string } {
  return {
    resourceType: "QuestionnaireResponse",
    id: screening.id,
    questionnaire: screeningUrl,
    status: "completed",
    subject: { reference: `Patient/${screening.patientId}` },
    authored: screening.authored,
    item: contraindicationCatalogue.map(({ code, title }) => ({
      linkId: code,
      text: title,
      answer: [{ valueBoolean: screening.found.includes(code) }],
    })),
  };
}
