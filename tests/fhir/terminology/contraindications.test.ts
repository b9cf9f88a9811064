import { expect, test } from "vitest";
import { contraindicationCatalogue, contraindicationOf } from "../../../src/fhir/terminology/contraindications.ts";

// Absolute contraindications as listed by Harden 2004, quoted at Physiopedia, "Assisted Coughing".
test.each([
  "pneumothorax",
  "haemoptysis",
  "recent-face-or-skull-trauma",
  "cardiovascular-instability",
  "raised-intracranial-pressure",
  "lung-abscess",
])("%s holds the therapy until somebody decides", (code) => {
  expect(contraindicationOf(code)).toMatchObject({ class: "absolute", defaultAction: "hold", endsByItself: false });
});

test("a full stomach passes by itself", () => {
  expect(contraindicationOf("vomiting-or-full-stomach")).toMatchObject({ class: "momentary", endsByItself: true });
});

test("every entry names where it comes from, and unknown codes have none", () => {
  expect(contraindicationCatalogue.every((one) => one.source.length > 10)).toBe(true);
  expect(contraindicationOf("hiccups")).toBeUndefined();
});
