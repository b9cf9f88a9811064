/** What a policy asks for, as data; counts are persons. */
export interface DisclosurePolicy {
  readonly name: string;
  /** Counts from `least` to `greatest` are hidden. With `least` 1 a zero is shown, and a star says "at least one". */
  readonly small: { readonly least: 0 | 1; readonly greatest: number };
  /** Shown counts are rounded to the nearest multiple, halves up; 1 shows them as they are. */
  readonly roundTo: number;
  /** Cells of the nation as a whole are published without control. */
  readonly nationalUncontrolled: boolean;
  /** A cell is hidden when one site supplies more than this share of it; 1 hides none for that. */
  readonly greatestSiteShare: number;
  /** How far apart the least and the greatest possible value of a hidden cell must be, for each intruder. */
  readonly minimumWidth: { readonly figures: number; readonly roles: number };
  /** The same for a cell hidden for one site's sake, as a share of its count, where that is more. */
  readonly dominanceWidthShare: number;
  /** The shown denominator that a percentage needs: for one decimal, for none, and where 0 % and 100 % may be said. */
  readonly percentage: {
    readonly oneDecimalFrom: number;
    readonly wholeFrom: number;
    readonly extremesFrom: number;
  };
}

/*
 * Choices of this service, no published source, in all three: a site's share of 0.8 and the width of a tenth for it;
 * 0 % and 100 % only of 50 persons or more; whole percentages from 400, where the bound of `rate.ts` gives one point
 * as 4000 gives a tenth. Widths: three possible values where rounding blurs every figure, five (as many as a rounded
 * figure has) where figures are exact; and a cell is never pinned even to one who knows which stars are primary.
 */
const ours = {
  greatestSiteShare: 0.8,
  dominanceWidthShare: 0.1,
  percentage: { oneDecimalFrom: 4000, wholeFrom: 400, extremesFrom: 50 },
};

/** The policies that a tenant can name. Their sources are the publishers' texts, as far as the numbers go; see also `ours` above. */
export const disclosurePolicies = {
  /**
   * NHS Digital, "Change to disclosure control methodology for HES and ECDS" (digital.nhs.uk, from 13 September 2018):
   * 0 shown, 1 to 7 hidden, else the nearest 5, national figures without control, one decimal from 4,000.
   * The publisher asks for no secondary suppression, since rounding replaces it; we audit all the same.
   */
  hes: {
    ...ours,
    name: "hes",
    small: { least: 1, greatest: 7 },
    roundTo: 5,
    nationalUncontrolled: true,
    minimumWidth: { figures: 2, roles: 1 },
  },
  /**
   * Office for National Statistics, comparison of post-tabular disclosure control methods: under 10 suppressed, from 10
   * the nearest 5. Read to the letter: zeros are hidden too, unless they are structural.
   */
  "ons-10-5": {
    ...ours,
    name: "ons-10-5",
    small: { least: 0, greatest: 9 },
    roundTo: 5,
    nationalUncontrolled: false,
    minimumWidth: { figures: 2, roles: 1 },
  },
  /**
   * The US Centers for Medicare & Medicaid Services' rule that no cell of 10 or fewer is shown nor can be derived. That
   * a zero may be shown is from memory of its guidance.
   */
  "minimum-cell-11": {
    ...ours,
    name: "minimum-cell-11",
    small: { least: 1, greatest: 10 },
    roundTo: 1,
    nationalUncontrolled: false,
    minimumWidth: { figures: 4, roles: 1 },
  },
} as const satisfies Record<string, DisclosurePolicy>;
