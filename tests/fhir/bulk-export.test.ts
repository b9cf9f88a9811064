import { describe, expect, test } from "vitest";
import { isOfPeople, readExport } from "../../src/fhir/bulk-export.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";

// The parameters of https://hl7.org/fhir/uv/bulkdata/STU2/export.html#query-parameters.
const definitions = createDefinitions({
  types: ["Patient", "Observation", "Organization", "Task"],
  profiles: () => [],
});
type Reading = Parameters<typeof readExport>[2];

function read(query: readonly (readonly [string, string])[], over: Partial<Reading> = {}, parameters?: object[]) {
  const body = { resourceType: "Parameters", parameter: parameters };
  const input = { query, ...(parameters === undefined ? {} : { body: { value: body, exact: body } }) };
  return readExport(definitions, input, { level: "system", handling: "strict", may: () => true, ...over });
}
const asked = (...args: Parameters<typeof read>) => {
  const result = read(...args);
  if (!result.ok) throw new Error(JSON.stringify(result.refusals));
  return result.value;
};
const refusal = (...args: Parameters<typeof read>) => {
  const result = read(...args);
  return result.ok ? "taken" : result.refusals.map(({ at, kind }) => `${kind} ${at ?? ""}`).join();
};

describe("types", () => {
  test("are all that the client may, where none is named", () => {
    expect(asked([], { may: (type) => type !== "Task" }).types).toEqual(["Observation", "Organization", "Patient"]);
  });

  test("of people alone for people", () => {
    expect(asked([], { level: "patient" }).types).toEqual(["Observation", "Patient", "Task"]);
    expect([isOfPeople("Encounter"), isOfPeople("Location")]).toEqual([true, false]);
  });

  test("may be named with commas and several times", () => {
    const query = [
      ["_type", "Patient,Task"],
      ["_type", "Task"],
    ] as const;
    expect(asked(query).types).toEqual(["Patient", "Task"]);
  });

  test.each([
    ["Spaceship", {}, "not-supported _type"],
    ["Task", { may: () => false }, "forbidden _type"],
    ["Organization", { level: "patient" }, "not-supported _type"],
  ] as const)("%s is refused, and left out under lenient handling", (type, over, expected) => {
    expect(refusal([["_type", `${type}`]], over)).toBe(expected);
    const lenient = asked([["_type", type]], { ...over, handling: "lenient" });
    expect([lenient.types, lenient.ignored.length]).toEqual([[], 1]);
  });
});

describe("filters", () => {
  test("are searches of one type, with commas between or in their values", () => {
    const filter = "Observation?status=final,amended,Patient?gender=male,Observation?_id=1";
    expect(asked([["_typeFilter", filter]]).filters).toEqual([
      { type: "Observation", query: "status=final,amended" },
      { type: "Patient", query: "gender=male" },
      { type: "Observation", query: "_id=1" },
    ]);
  });

  test.each(["Patient?_count=3", "Patient?gender=male&_sort=-_id", "gender=male", "Device?status=active"])(
    "%s is refused",
    (filter) => {
      expect(refusal([["_typeFilter", filter]])).toBe("value _typeFilter");
    },
  );
});

test("people are named in a posted Parameters resource, of exports of people", () => {
  const patient = { name: "patient", valueReference: { reference: "Patient/1" } };
  expect(asked([], { level: "patient" }, [patient, patient]).patientIds).toEqual(["1"]);
  expect(refusal([], { level: "system" }, [patient])).toBe("value patient");
  const device = { name: "patient", valueReference: { reference: "Device/1" } };
  expect(refusal([], { level: "patient" }, [device])).toBe("value patient");
});

test.each(["application/fhir+ndjson", "application/ndjson", "ndjson", "application/fhir ndjson"])(
  "%s is the format of the files",
  (format) => {
    expect(refusal([["_outputFormat", format]])).toBe("taken");
  },
);

test("an instant without a zone, and elements that are none, are refused", () => {
  expect(refusal([["_since", "2026-06-01"]])).toContain("value");
  expect(refusal([["_elements", "a b"]])).toBe("value _elements");
  expect(asked([["_since", "2026-06-01T00:00:00Z"]]).sinceMs).toBe(Date.UTC(2026, 5, 1));
});

test("what nobody here knows is refused, and told of under lenient handling, in the address and in the body", () => {
  expect(refusal([["includeAssociatedData", "x"]])).toBe("not-supported ");
  const unknown = { name: "organizeOutputBy", valueCode: "Patient" };
  const lenient = asked([["includeAssociatedData", "x"]], { handling: "lenient" }, [unknown]);
  expect(lenient.ignored.map(({ detail }) => detail)).toEqual([
    expect.stringContaining("includeAssociatedData"),
    expect.stringContaining("organizeOutputBy"),
  ]);
});
