/**
 * Whether a text is an NHS number: ten digits, the last of which is the check digit of modulus 11 (weights 10 to 2; 11 counts
 * as 0, 10 is never issued), not all the same. 999 numbers are for tests and pass. Source: NHS Data Dictionary, NHS NUMBER,
 * whose worked example is 401 023 213 with check digit 7.
 */
export function isNhsNumber(value: string): boolean {
  if (!/^\d{10}$/.test(value) || /^(\d)\1{9}$/.test(value)) return false;
  return nhsCheckDigit(value.slice(0, 9)) === Number(value[9]);
}

/** The check digit of nine digits; undefined where it would be 10, for such a number is never issued. */
export function nhsCheckDigit(nineDigits: string): number | undefined {
  const sum = [...nineDigits].reduce((total, digit, i) => total + Number(digit) * (10 - i), 0);
  const digit = (11 - (sum % 11)) % 11;
  return digit === 10 ? undefined : digit;
}
