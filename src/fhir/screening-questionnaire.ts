import type { Questionnaire, QuestionnaireItem } from "@medplum/fhirtypes";
import { canonical } from "./terminology/canonical.ts";
import { contraindicationCatalogue, contraindicationSystem } from "./terminology/contraindications.ts";

/** id of the screening form; its address is `canonical("Questionnaire", screeningId)`. */
const screeningId = "contraindication-screening";

/** The address of the screening form. */
export const screeningUrl = canonical("Questionnaire", screeningId);

/** Items of the form beside the catalogue. */
export const screeningItems = { other: "other", screenedBy: "screened-by" } as const;

/**
 * The screening for contraindications: one yes-or-no question for each entry of the catalogue, its linkId the entry's
 * code. It names what to ask about; local policy and the licensed clinician decide what follows.
 */
export function screeningQuestionnaire(): Questionnaire & { id: string } {
  return {
    resourceType: "Questionnaire",
    id: screeningId,
    url: screeningUrl,
    name: "ContraindicationScreening",
    title: "Screening for contraindications to assisted cough",
    status: "active",
    subjectType: ["Patient"],
    description:
      "Before the therapy begins and at intervals. Every yes raises a Flag of the person; a no ends none that somebody has raised.",
    item: [
      ...contraindicationCatalogue.map(
        ({ code, title }): QuestionnaireItem => ({
          linkId: code,
          code: [{ system: contraindicationSystem, code, display: title }],
          text: `${title}: now, or recently?`,
          type: "boolean",
          required: true,
        }),
      ),
      { linkId: screeningItems.other, text: "Anything else that speaks against it?", type: "text" },
      { linkId: screeningItems.screenedBy, text: "Screened by", type: "string" },
    ],
  };
}
