import { validationRegexes } from "@medplum/core";
import fc from "fast-check";
import { expect, test } from "vitest";
import { formatFault, isPrimitive, jsonTypeOf } from "../../../src/fhir/checks/formats.ts";

// Every row from the table of primitive types, its regular expressions and its prose: https://hl7.org/fhir/R4/datatypes.html
test.each([
  ["date", "2026"],
  ["date", "2026-02"],
  ["date", "2024-02-29"],
  ["date", "2000-02-29"],
  ["dateTime", "2026-02-03T04:05:06Z"],
  ["dateTime", "2026-02-03T04:05:60.123456789012+14:00"],
  ["dateTime", "2026-02-03"],
  ["instant", "2015-02-07T13:28:17.239+02:00"],
  ["time", "23:59:60"],
  ["base64Binary", "QUJD\nQUJDRA=="],
  ["oid", "urn:oid:1.2.3.4.5"],
  ["uuid", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"],
  ["id", "a-B.9"],
  ["code", "a b c"],
  ["string", " two\r\n\tlines "],
  ["string", "😀"],
  ["markdown", "# heading\n\ntext"],
  ["uri", "urn:isbn:0451450523"],
  ["canonical", "http://hl7.org/fhir/ValueSet/my-valueset|0.8"],
  ["integer", -2_147_483_648],
  ["unsignedInt", 0],
  ["positiveInt", 2_147_483_647],
  ["decimal", -0.5],
  ["boolean", false],
])("a %s may be %j", (type, value) => {
  expect(formatFault(type, value)).toBeUndefined();
});

test.each([
  ["date", "2020-02-30", "No calendar has the day 2020-02-30."],
  ["date", "1900-02-29", "No calendar has"],
  ["date", "2026-06-31", "No calendar has"],
  ["date", "2026-13-01", "YYYY-MM-DD"],
  ["date", "0000-01-01", "YYYY-MM-DD"],
  ["date", "26-01-01", "YYYY-MM-DD"],
  ["date", "2026-01-01T00:00:00Z", "YYYY-MM-DD"],
  // "If hours and minutes are specified, a time zone SHALL be populated. Seconds must be provided"
  ["dateTime", "2026-02-03T04:05:06", "zone"],
  ["dateTime", "2026-02-03T04:05", "zone"],
  ["dateTime", "2026-02-03T04", "zone"],
  ["dateTime", "2026-02-03T04:05Z", "YYYY-MM-DDThh:mm:ss"],
  ["dateTime", "2026-02-03Z", "YYYY-MM-DDThh:mm:ss"],
  // "The time "24:00" SHALL NOT be used"
  ["dateTime", "2026-02-03T24:00:00Z", "YYYY-MM-DDThh:mm:ss"],
  ["dateTime", "2026-02-03T04:05:06+14:30", "YYYY-MM-DDThh:mm:ss"],
  ["dateTime", "2026-02-30T04:05:06Z", "No calendar has"],
  ["instant", "2026-02-03", "zone"],
  ["instant", "2026-02-03T04:05:06", "zone"],
  ["instant", "2026-04-31T04:05:06Z", "No calendar has"],
  ["time", "24:00:00", "hh:mm:ss"],
  ["time", "10:00", "hh:mm:ss"],
  ["time", "10:00:00Z", "no zone"],
  ["base64Binary", "QUJ", "base64"],
  ["base64Binary", "QUJ*", "base64"],
  ["base64Binary", "", "base64"],
  ["oid", "1.2.3", "urn:oid"],
  ["oid", "urn:oid:1.02", "urn:oid"],
  ["uuid", "urn:uuid:C757873D-EC9A-4326-A141-556F43239520", "urn:uuid"],
  ["id", "a_b", "1 to 64"],
  ["id", "a".repeat(65), "1 to 64"],
  ["code", " a", "blank"],
  ["code", "a ", "blank"],
  ["code", "a  b", "blank"],
  ["code", "", "blank"],
  ["string", "", "empty"],
  ["string", " \t", "blank"],
  ["string", "a\u0007b", "control"],
  ["markdown", "a\u001bb", "control"],
  ["xhtml", "a\u0001b", "control"],
  ["uri", "http://example.org/a b", "blanks"],
  ["uri", "", "empty"],
  ["url", "http://example.org/\u0001", "blanks"],
  ["canonical", "http://example.org/a |1", "blanks"],
  ["integer", 2_147_483_648, "whole number"],
  ["integer", 1.5, "whole number"],
  ["unsignedInt", -1, "whole number"],
  ["positiveInt", 0, "whole number"],
  ["decimal", Number.POSITIVE_INFINITY, "too large"],
  ["decimal", "5", "in JSON a number"],
  ["boolean", "true", "in JSON a boolean"],
  ["string", 5, "in JSON a string"],
  ["string", null, "not null"],
  ["string", ["a"], "not an array"],
  ["code", { a: 1 }, "not an object"],
])("a %s is never %j", (type, value, part) => {
  expect(formatFault(type, value)).toContain(part);
});

// "Note that strings SHALL NOT exceed 1MB (1024*1024 characters) in size" (the same page).
test("text has at most 1 MB", () => {
  expect(formatFault("string", "a".repeat(1_048_576))).toBeUndefined();
  expect(formatFault("string", "a".repeat(1_048_577))).toContain("1 MB");
});

// PostgreSQL stores no U+0000 (https://www.postgresql.org/docs/18/datatype-character.html), and a lone surrogate is no
// Unicode scalar value (https://www.unicode.org/glossary/#unicode_scalar_value), so no UTF-8 can carry it.
test.each(["string", "markdown", "code", "uri", "url", "canonical", "id", "xhtml", "base64Binary", "dateTime"])(
  "no %s holds U+0000 or half a surrogate pair",
  (type) => {
    expect(formatFault(type, "a\u0000b")).toContain("U+0000");
    expect(formatFault(type, "a\ud800b")).toContain("surrogate");
  },
);

test("only the primitives of R4 are primitives, and each has one JSON type", () => {
  expect(["boolean", "decimal", "xhtml", "positiveInt"].map(isPrimitive)).toEqual([true, true, true, true]);
  expect(["Quantity", "Resource", "constructor"].map(isPrimitive)).toEqual([false, false, false]);
  expect([jsonTypeOf("boolean"), jsonTypeOf("unsignedInt"), jsonTypeOf("date")]).toEqual([
    "boolean",
    "number",
    "string",
  ]);
});

// Whatever @medplum/core refuses by its own regular expressions is refused here too, with two exceptions that the R4
// expressions allow: blanks in base64, and more than nine digits of a second.
const types = Object.keys(validationRegexes).filter((type) => type !== "xhtml" && type !== "base64Binary");
test.each(types)("a %s that another implementation refuses is refused", (type) => {
  const near = fc.oneof(
    fc.string({ unit: "grapheme", maxLength: 12 }),
    fc.stringMatching(
      /^[0-9]{1,4}(-[0-9]{1,2}){0,2}(T[0-9]{1,2}(:[0-9]{2}){0,2}(\.[0-9]{1,9})?(Z|[+-][01][0-9]:00)?)?$/,
    ),
    fc.stringMatching(/^urn:(oid|uuid):[0-9a-f.-]{0,40}$/),
  );
  fc.assert(
    fc.property(near, (value) => {
      if (validationRegexes[type]?.test(value) === false || value.trim() === "") {
        expect(formatFault(type, value)).toBeDefined();
      }
    }),
  );
});
