import fc from "fast-check";
import { describe, expect, test } from "vitest";
import {
  allows,
  ceilingOf,
  commonScopes,
  isWithin,
  type Permission,
  type Role,
  readableTypes,
  readingLimits,
  readScope,
  readScopes,
  roles,
  type Scope,
  scopeText,
  writtenUnderLimit,
} from "../../src/fhir/scopes.ts";

const scopes = (text: string) => readScopes(text).scopes;
const texts = (list: readonly Scope[]) => list.map(scopeText);

// SMART App Launch 2.0, "Scopes for requesting FHIR resources":
// https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html
describe("a scope", () => {
  test.each([
    ["system/Observation.rs", "system/Observation.rs"],
    ["system/*.cruds", "system/*.cruds"],
    // The same page, "Scopes in v1": read is rs, write is cud, * is cruds.
    ["system/Patient.read", "system/Patient.rs"],
    ["system/Patient.write", "system/Patient.cud"],
    ["system/*.*", "system/*.cruds"],
    ["tidegate/use-records.c", "tidegate/use-records.c"],
  ])("%s is read as %s", (text, read) => {
    const scope = readScope(text);
    expect(scope && scopeText(scope)).toBe(read);
  });

  test.each([
    "",
    "openid",
    "launch/patient",
    "user/Observation.rs",
    "patient/*.rs",
    "system/Observation",
    "system/Observation.",
    "system/Observation.x",
    // "The letters … in this order": sr and rr are not scopes.
    "system/Observation.sr",
    "system/Observation.rr",
    "system/observation.rs",
    "system/Obser vation.rs",
    // No type of R4 is written so, and the database takes no such name.
    "system/Obser_vation.rs",
    "tidegate/everything.r",
    "SYSTEM/Observation.rs",
    "system/__proto__.rs",
    "system/Observation.constructor",
  ])("'%s' is none", (text) => expect(readScope(text)).toBeUndefined());

  test("that is none of ours is told apart", () => {
    expect(readScopes(" system/Task.r  openid ")).toEqual({ scopes: scopes("system/Task.r"), unknown: ["openid"] });
  });
});

describe("scopes held", () => {
  const held = scopes("system/Observation.rs system/Task.ru");

  test.each<[string, Permission, boolean]>([
    ["Observation", "r", true],
    ["Observation", "u", false],
    ["Task", "u", true],
    ["Task", "s", false],
    ["Patient", "r", false],
    ["*", "s", false],
  ])("let %s.%s pass: %s", (of, to, passes) => expect(allows(held, { context: "system", of, to })).toBe(passes));

  test("of FHIR open no other door", () => {
    expect(allows(scopes("system/*.cruds"), { context: "tidegate", of: "clients", to: "r" })).toBe(false);
  });

  test("name the types that may be read, or every type", () => {
    expect(readableTypes(held)).toEqual(["Observation", "Task"]);
    expect(readableTypes(scopes("system/Task.u"))).toEqual([]);
    expect(readableTypes(scopes("system/Task.r system/*.s"))).toBeUndefined();
  });
});

test.each([
  ["system/*.rs", "system/Observation.rs system/Task.u", "system/Observation.rs"],
  ["system/Observation.cruds", "system/*.rs", "system/Observation.rs"],
  ["system/Observation.r system/*.s", "system/Observation.cruds", "system/Observation.rs"],
  ["system/Patient.rs", "system/Observation.rs", ""],
  ["system/*.cruds tidegate/*.cruds", "tidegate/use-records.c", "tidegate/use-records.c"],
])("of %s asked and %s held, %s is granted", (asked, held, granted) => {
  expect(texts(commonScopes(scopes(asked), scopes(held))).join(" ")).toBe(granted);
});

const letters = fc.subarray(["c", "r", "u", "d", "s"] as const, { minLength: 1 });
const scope: fc.Arbitrary<Scope> = fc.record({
  context: fc.constant("system" as const),
  of: fc.constantFrom("*", "Patient", "Task", "Observation"),
  may: letters,
});
const lists = fc.array(scope, { maxLength: 5 });

test("what is granted passes by what was asked and by what is held, and nothing else does", () => {
  fc.assert(
    fc.property(
      lists,
      lists,
      fc.constantFrom("Patient", "Task", "Observation", "Device"),
      fc.constantFrom("c", "r", "u", "d", "s"),
      (asked, held, of, to) => {
        const need = { context: "system", of, to } as const;
        const granted = commonScopes(asked, held);
        expect(allows(granted, need)).toBe(allows(asked, need) && allows(held, need));
        expect(isWithin(granted, held)).toBe(true);
      },
    ),
  );
});

describe("the ceiling of a role", () => {
  const needs = (role: Role, of: string, to: Permission, context: "system" | "tidegate" = "system") =>
    allows(ceilingOf(role), { context, of, to });

  test("is made of scopes that can be read", () => {
    for (const role of Object.keys(roles) as Role[]) expect(texts(ceilingOf(role)).join(" ")).toBe(roles[role]);
  });

  test("lets a dashboard read and work on Tasks, and write nothing else", () => {
    expect(needs("dashboard", "Observation", "s")).toBe(true);
    expect(needs("dashboard", "Task", "u")).toBe(true);
    expect(needs("dashboard", "Flag", "u")).toBe(false);
    expect(needs("dashboard", "Task", "c")).toBe(false);
  });

  test("shows a commissioner and an administrator nothing about a person", () => {
    for (const role of ["commissioner", "administrator"] as const) {
      for (const type of ["Patient", "Observation", "Task", "*"]) {
        for (const to of ["r", "s", "u"] as const) expect(needs(role, type, to)).toBe(false);
      }
      expect(needs(role, "dashboard", "r", "tidegate")).toBe(false);
    }
    // Of MeasureReports, those of releases alone.
    expect(readingLimits(ceilingOf("commissioner")).map(({ type }) => type)).toEqual(["MeasureReport"]);
  });

  test("that is limited lets nobody have the type without the limit, or with another", () => {
    const ceiling = ceilingOf("commissioner");
    expect(isWithin(scopes(roles.commissioner), ceiling)).toBe(true);
    expect(isWithin(scopes("system/MeasureReport.rs"), ceiling)).toBe(false);
    expect(isWithin(scopes("system/MeasureReport.r?identifier=x|"), ceiling)).toBe(false);
  });
});

// https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html, "Finer-grained resource constraints".
describe("a scope limited by a search parameter", () => {
  const survey = "system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|survey";
  const [limited] = scopes(survey);

  test("is read, and written as it was", () => {
    expect(limited?.limit).toBe("category=http://terminology.hl7.org/CodeSystem/observation-category|survey");
    expect(limited && scopeText(limited)).toBe(survey);
  });

  test.each([
    "system/*.rs?category=survey",
    "system/Observation.cruds?category=survey",
    "system/Observation.u?category=survey",
    "system/Observation.rs?category:not=survey",
    "system/Observation.rs?category=survey&status=final",
    "system/Observation.rs?category=",
    "system/Observation.rs?",
    "tidegate/dashboard.r?category=survey",
  ])("is none of ours as %s", (text) => {
    expect(readScope(text)).toBeUndefined();
  });

  test("lets its needs pass, and limits its type where nothing else opens it", () => {
    const one = scopes(`${survey} system/Patient.rs`);
    expect(allows(one, { context: "system", of: "Observation", to: "s" })).toBe(true);
    expect(readingLimits(one)).toEqual([{ type: "Observation", limit: limited?.limit }]);
    expect(readingLimits(scopes(`${survey} system/Observation.r`))).toEqual([]);
    expect(readingLimits(scopes(`${survey} system/*.rs`))).toEqual([]);
    expect(readingLimits(scopes(`${survey} system/Observation.c`))).toHaveLength(1);
    expect(writtenUnderLimit(scopes(`${survey} system/Observation.c`))).toBe("Observation");
    expect(writtenUnderLimit(scopes(`${survey} system/*.d`))).toBe("Observation");
    expect(writtenUnderLimit(scopes(`${survey} system/Task.u system/*.rs`))).toBeUndefined();
    expect(writtenUnderLimit(scopes(`${survey} system/Task.u`))).toBeUndefined();
  });

  test.each([
    ["system/Observation.rs", survey, [survey]],
    [survey, "system/*.cruds", [survey]],
    [survey, survey, [survey]],
    [survey, "system/Observation.rs?category=other", []],
    [survey, "system/Observation.s", [survey.replace(".rs", ".s")]],
    [`${survey} system/Observation.c`, "system/*.cruds", [survey, "system/Observation.c"]],
  ])("asked %s and held %s have in common %s", (asked, held, common) => {
    expect(commonScopes(scopes(asked), scopes(held)).map(scopeText)).toEqual(common);
    expect(commonScopes(scopes(held), scopes(asked)).map(scopeText).sort()).toEqual([...common].sort());
  });
});
