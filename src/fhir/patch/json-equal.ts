import { isObject, isRawNumber } from "./tree.ts";

/**
 * Whether two JSON values are equal as RFC 6902, 4.6 has it: numbers by value (1.50 equals 1.5, whatever digits a double
 * would drop), objects whatever the order of their members, arrays item by item.
 */
export function jsonEqual(one: unknown, other: unknown): boolean {
  if (isNumber(one) || isNumber(other)) {
    return isNumber(one) && isNumber(other) && canonicalNumber(textOf(one)) === canonicalNumber(textOf(other));
  }
  if (Array.isArray(one) || Array.isArray(other)) {
    return (
      Array.isArray(one) &&
      Array.isArray(other) &&
      one.length === other.length &&
      one.every((item, i) => jsonEqual(item, other[i]))
    );
  }
  if (!isObject(one) || !isObject(other)) return one === other;
  const names = Object.keys(one);
  return (
    names.length === Object.keys(other).length &&
    names.every((name) => Object.hasOwn(other, name) && jsonEqual(one[name], other[name]))
  );
}

type JsonNumber = number | { readonly rawJSON: string };

function isNumber(value: unknown): value is JsonNumber {
  return typeof value === "number" || isRawNumber(value);
}

function textOf(number: JsonNumber): string {
  return typeof number === "number" ? String(number) : number.rawJSON;
}

/** A number's sign, its digits without zeros at either end, and the power of ten of the last one. */
function canonicalNumber(text: string): string {
  const [, minus = "", whole = "", part = "", power = "0"] =
    /^(-?)(\d+)(?:\.(\d*))?(?:[eE]([+-]?\d+))?$/.exec(text) ?? [];
  const digits = withoutLeadingZeros(whole + part);
  if (digits === "") return "0";
  const kept = withoutTrailingZeros(digits);
  // BigInt, because an exponent may have any number of digits.
  const exponent = BigInt(power) - BigInt(part.length) + BigInt(digits.length - kept.length);
  return `${minus}${kept}e${exponent}`;
}

function withoutLeadingZeros(digits: string): string {
  let start = 0;
  while (digits[start] === "0") start += 1;
  return digits.slice(start);
}

/** A loop, because a pattern anchored at the end looks at every run of zeros anew. */
function withoutTrailingZeros(digits: string): string {
  let end = digits.length;
  while (digits[end - 1] === "0") end -= 1;
  return digits.slice(0, end);
}
