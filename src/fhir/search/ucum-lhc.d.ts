/** What is used of the UCUM library, which comes without types of its own. */
declare module "@lhncbc/ucum-lhc" {
  export interface UcumUnit {
    /** Name of the conversion function of a special unit: degrees, logarithms. */
    readonly cnv_: string | null;
    readonly isArbitrary_: boolean;
    /** Power of the mole, which UCUM counts as a mere number. */
    readonly moleExp_: number;
    readonly equivalentExp_: number;
    readonly magnitude_: number;
    /** Absent in a unit without a dimension. */
    readonly dim_: { readonly dimVec_?: readonly number[] | null } | null;
  }

  export interface UcumLhcUtils {
    /** Answers `valid` for a code as it stands; `invalid` where it guessed what was meant. Logs codes with blanks. */
    getSpecifiedUnit(code: string, purpose: "validate"): { readonly status: string; readonly unit?: UcumUnit | null };
    /** An amount in another unit, conversion functions applied; null where that is impossible. */
    convertUnitTo(from: string, value: number, to: string): { readonly toVal: number | null };
  }

  export const UcumLhcUtils: { getInstance(): UcumLhcUtils };
  export const UnitTables: { getInstance(): { readonly dimVecIndexToBaseUnit_: Readonly<Record<number, string>> } };
}
