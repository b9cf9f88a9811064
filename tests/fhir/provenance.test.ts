import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { provenanceOf } from "../../src/fhir/provenance.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

test("a Provenance is valid R4, names its targets, and points to nothing that is not there", () => {
  const made = provenanceOf(["Task/t1"], "task-raise", "2026-06-10T12:00:00.000Z");
  expect(validateResource(made)).toEqual([]);
  expect(made.target).toEqual([{ reference: "Task/t1" }]);
  expect(made.activity?.coding?.[0]?.display).toBe("Task raised");
  expect(made.agent[0]?.who.reference).toBeUndefined();
});
