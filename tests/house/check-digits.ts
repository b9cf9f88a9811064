/**
 * Check digits of two public code systems: they catch a mistyped or half-remembered code without holding a copy of either.
 * LOINC: modulus 10 over the digits before the hyphen (LOINC Users' Guide, "check digit"); SNOMED CT: Verhoeff's scheme over
 * the whole identifier (SNOMED CT Release File Specifications, "Check-digit"). Both algorithms are written here from memory
 * and tried against codes that the published standards themselves print.
 */
export function hasLoincCheckDigit(code: string): boolean {
  const [, digits = "", check] = /^(\d{1,7})-(\d)$/.exec(code) ?? [];
  if (check === undefined) return false;
  const total = [...digits].reverse().reduce((sum, digit, position) => {
    const weighed = Number(digit) * (position % 2 === 0 ? 2 : 1);
    return sum + (weighed > 9 ? weighed - 9 : weighed);
  }, 0);
  return (10 - (total % 10)) % 10 === Number(check);
}

/** Multiplication in the dihedral group of order 10, of which digits 0-4 are rotations and 5-9 reflections. */
function combined(one: number, other: number): number {
  if (one < 5) return other < 5 ? (one + other) % 5 : 5 + ((one + other - 5) % 5);
  return other < 5 ? 5 + ((one - 5 - other + 5) % 5) : (one - other + 5) % 5;
}

const verhoeffPermutation = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4];

function permuted(digit: number, times: number): number {
  return times === 0 ? digit : permuted(verhoeffPermutation[digit] ?? Number.NaN, times - 1);
}

/** Whether the text is an identifier of a SNOMED CT concept: its check digit holds and its partition is that of concepts. */
export function isSnomedConceptId(code: string): boolean {
  if (!/^[1-9]\d{5,17}$/.test(code) || !/^[01]0$/.test(code.slice(-3, -1))) return false;
  const state = [...code]
    .reverse()
    .reduce((sum, digit, position) => combined(sum, permuted(Number(digit), position % 8)), 0);
  return state === 0;
}
