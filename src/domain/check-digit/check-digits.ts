import { isNhsNumber } from "./nhs-number.ts";

/** National checks of identifiers, by the names that a configuration uses. A new country is one file and one line here. */
export const checkDigits = {
  "nhs-number": { title: "NHS number", isValid: isNhsNumber },
} as const satisfies Readonly<Record<string, { readonly title: string; readonly isValid: (value: string) => boolean }>>;
