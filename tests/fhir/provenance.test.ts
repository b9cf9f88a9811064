import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { provenanceOf } from "../../src/fhir/provenance.ts";
import { serviceDevice } from "../../src/fhir/service-device.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

test("a Provenance is valid R4, names its targets, and the service as the Device that is stored with every tenant", () => {
  const made = provenanceOf(["Task/t1"], "task-raise", "2026-06-10T12:00:00.000Z");
  expect(validateResource(made)).toEqual([]);
  expect(made.target).toEqual([{ reference: "Task/t1" }]);
  expect(made.activity?.coding?.[0]?.display).toBe("Task raised");
  expect(made.agent[0]?.who.reference).toBe(`Device/${serviceDevice().id}`);
});
