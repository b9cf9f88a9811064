import type { Contraindication } from "../../domain/contraindication.ts";
import { canonical } from "./canonical.ts";

/** One entry of the contraindication catalogue. */
export interface CatalogueEntry {
  readonly code: string;
  readonly title: string;
  readonly class: Contraindication["class"];
  /** What the team usually does: local policy and the licensed clinician decide. */
  readonly defaultAction: "hold" | "review" | "inform";
  readonly endsByItself: boolean;
  readonly source: string;
}

const harden = "Harden 2004, quoted at Physiopedia, Assisted Coughing";
const common = "common practice, no published source";
const policy = "US medical-policy pages on insufflation-exsufflation; consistent with reviews";

/** The catalogue: outside terminologies lack most of these, so the codes are our own. */
export const contraindicationCatalogue: readonly CatalogueEntry[] = [
  {
    code: "haemoptysis",
    title: "Haemoptysis",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "pneumothorax",
    title: "Pneumothorax",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "pneumothorax-susceptibility",
    title: "Known susceptibility to pneumothorax",
    class: "relative",
    defaultAction: "review",
    endsByItself: false,
    source: policy,
  },
  {
    code: "pneumomediastinum",
    title: "Pneumomediastinum",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: policy,
  },
  {
    code: "recent-barotrauma",
    title: "Recent barotrauma",
    class: "relative",
    defaultAction: "hold",
    endsByItself: false,
    source: policy,
  },
  {
    code: "bullous-emphysema",
    title: "Bullous emphysema",
    class: "relative",
    defaultAction: "review",
    endsByItself: false,
    source: policy,
  },
  {
    code: "acute-lung-injury",
    title: "Acute lung injury",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: common,
  },
  {
    code: "airway-fistula",
    title: "Tracheo-oesophageal or bronchial fistula",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: common,
  },
  {
    code: "recent-face-or-skull-trauma",
    title: "Recent facial, oral or skull trauma or surgery",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "raised-intracranial-pressure",
    title: "Raised intracranial pressure",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "recent-upper-gi-or-lung-surgery",
    title: "Recent upper gastrointestinal or lung surgery",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "lung-abscess",
    title: "Lung abscess",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "vomiting-or-full-stomach",
    title: "Vomiting or full stomach",
    class: "momentary",
    defaultAction: "inform",
    endsByItself: true,
    source: harden,
  },
  {
    code: "cardiovascular-instability",
    title: "Cardiovascular instability",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: harden,
  },
  {
    code: "unstable-spine",
    title: "Unstable spine",
    class: "absolute",
    defaultAction: "hold",
    endsByItself: false,
    source: common,
  },
];

/** System of the catalogue's codes. */
export const contraindicationSystem = canonical("CodeSystem", "contraindication");

const byCode = new Map(contraindicationCatalogue.map((entry) => [entry.code, entry]));

/** The catalogue's entry of a code; undefined for a code it does not hold. */
export function contraindicationOf(code: string): CatalogueEntry | undefined {
  return byCode.get(code);
}
