import type { LocalDay } from "./time.ts";

/** One completed screening for contraindications. */
export interface Screening {
  /** id of the QuestionnaireResponse. */
  readonly responseId: string;
  readonly day: LocalDay;
}
