import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { limitTerms, termLimits } from "../../src/fhir/scope-limits.ts";
import { readScopes } from "../../src/fhir/scopes.ts";
import { parseSearch } from "../../src/fhir/search/parse.ts";

const definitions = createDefinitions({ types: "default" });
const scopes = (text: string) => readScopes(text).scopes;
const category = "http://terminology.hl7.org/CodeSystem/observation-category";

/** The terms that a search by the same condition looks for. */
function searched(type: string, query: string): readonly string[] {
  const options = { handling: "strict", defaultCount: 20, maxCount: 500, maxLinks: 3, nowMs: 0 } as const;
  const parsed = parseSearch(definitions, [type], [...new URLSearchParams(query)], options);
  if (!parsed.ok) throw new Error(parsed.refusals[0]?.detail);
  const found = JSON.stringify(parsed.value).match(/"anyOf":\[([^\]]*)\]/)?.[1] ?? "";
  return found.split(",").map((one) => one.replaceAll('"', ""));
}

// https://hl7.org/fhir/smart-app-launch/STU2/scopes-and-launch-context.html: a limit is a search parameter and its value.
describe("a limit asks for the very terms that a search by it asks for", () => {
  test.each([
    ["Observation", `category=${category}|survey`],
    ["Observation", "category=survey,exam"],
    ["Observation", "status=final"],
    ["Task", "code=low-use"],
  ])("%s?%s", (type, limit) => {
    expect(limitTerms(definitions, type, limit)).toEqual(searched(type, limit.replaceAll("|", "%7C")));
  });

  test("and a percent-encoded bar is the same as a plain one", () => {
    expect(limitTerms(definitions, "Observation", `category=${category}%7Csurvey`)).toEqual(
      limitTerms(definitions, "Observation", `category=${category}|survey`),
    );
  });
});

test.each(["date=2026-01-01", "patient=anna", "subject=Patient/anna", "no-such=x", "_id=x", "__proto__=x"])(
  "%s is no limit",
  (limit) => {
    expect(limitTerms(definitions, "Observation", limit)).toBeUndefined();
  },
);

describe("the limits of a token", () => {
  test("are none where nothing is limited", () => {
    expect(termLimits(definitions, scopes("system/*.rs"))).toBeUndefined();
    expect(
      termLimits(definitions, scopes("system/Observation.rs system/Observation.rs?category=survey")),
    ).toBeUndefined();
  });

  test("let pass what any of them does", () => {
    const limits = termLimits(
      definitions,
      scopes("system/Observation.rs?category=survey system/Observation.r?status=final"),
    );
    expect(limits?.types).toEqual(["Observation"]);
    expect(limits?.terms).toEqual([
      ...(limitTerms(definitions, "Observation", "category=survey") ?? []),
      ...(limitTerms(definitions, "Observation", "status=final") ?? []),
    ]);
  });

  test("let nothing pass where one cannot be read any more", () => {
    expect(termLimits(definitions, scopes("system/Observation.rs?no-such=x"))).toEqual({
      types: ["Observation"],
      terms: [],
    });
  });
});
