import { describe, expect, test } from "vitest";
import { readScopes } from "../../src/fhir/scopes.ts";
import { entryNeeds, needsOf, routeNeeds, unmet } from "../../src/http/needs.ts";

const scopes = (text: string) => readScopes(text).scopes;
const passes = (text: string, method: string, url: string, condition = false) =>
  unmet(scopes(text), entryNeeds(method, url, condition)) === undefined;

test("every line is made of scopes that can be read", () => {
  for (const texts of Object.values(routeNeeds)) {
    for (const need of needsOf(texts, { type: "Patient", member: "Task" })) expect(need.of).not.toBe("");
  }
});

test("what an address names is no scope of another kind", () => {
  for (const type of ["*", "clients", "Patient.cruds", "__proto__", "Patient/../Task", ""]) {
    const needs = needsOf(["system/:type.r"], { type });
    expect(unmet(scopes("system/Patient.cruds tidegate/*.cruds"), needs)).toBeDefined();
  }
});

// https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html, the interactions of each letter.
describe("an entry of a transaction", () => {
  test.each<[string, string, string, boolean]>([
    ["system/Task.c", "POST", "Task", true],
    ["system/Task.u", "POST", "Task", false],
    ["system/Task.r", "GET", "Task/1", true],
    ["system/Task.cu", "PUT", "Task/1", true],
    ["system/Task.u", "PUT", "Task/1", false],
    ["system/Task.cu", "PUT", "/Task?_id=1", false],
    ["system/Task.cus", "PUT", "Task?_id=1", true],
    ["system/Task.ru", "PATCH", "Task/1", true],
    ["system/Task.d", "DELETE", "Task/1", true],
    ["system/Task.d", "DELETE", "Task?status=draft", false],
    ["system/Task.cruds", "DELETE", "Patient/1", false],
    ["system/Task.cruds", "BREW", "Task", true],
    ["system/Task.r", "BREW", "Task", false],
  ])("with %s, %s %s passes: %s", (text, method, url, expected) => {
    expect(passes(text, method, url)).toBe(expected);
  });

  test("that searches needs every type", () => {
    expect(passes("system/Task.rs", "GET", "Task?status=draft")).toBe(false);
    expect(passes("system/*.rs", "GET", "Task?status=draft")).toBe(true);
  });

  test("that creates on a condition needs what the answer may show", () => {
    expect(passes("system/Task.c", "POST", "Task", true)).toBe(false);
    expect(passes("system/Task.crs", "POST", "Task", true)).toBe(true);
  });
});
