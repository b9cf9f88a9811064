import { expect, test } from "vitest";
import { locate, locateList, noElement, notOne, type Scene } from "../../../src/fhir/patch/locate.ts";
import type { Spot } from "../../../src/fhir/patch/spot.ts";

const patient = {
  resourceType: "Patient",
  name: [
    { use: "official", given: ["Ida", "May"] },
    { use: "usual", given: ["Idi"] },
  ],
  contained: [{ resourceType: "Organization", id: "o", name: "Fen Lane" }],
  multipleBirthInteger: 2,
  _birthDate: { extension: [{ url: "http://example.org/a" }, { url: "http://example.org/b" }] },
};

function scene(): Scene {
  return { resource: patient, budget: { elements: 1000, criteria: 100 } };
}

/** Where a spot stands, as it would be written with indexes. */
function shown(spot: Spot): string {
  if (spot.place === undefined) return spot.type;
  const { parent, member, element } = spot.place;
  return `${shown(parent)}.${member}${element.isArray ? `[${spot.index}]` : ""}`;
}

function found(path: string): string[] {
  const spots = locate(scene(), path);
  if (!spots.ok) throw new Error(spots.refusals[0]?.detail);
  return spots.value.map(shown);
}

// https://hl7.org/fhirpath/N1: paths, 3.2; indexer, 5.3.1; where, 5.2.1; first and last, 5.3.3; ofType, 5.2.4.
test.each([
  ["Patient", ["Patient"]],
  ["Patient.name.given", ["Patient.name[0].given[0]", "Patient.name[0].given[1]", "Patient.name[1].given[0]"]],
  ["Patient.name.given[2]", ["Patient.name[1].given[0]"]],
  ["Patient.name[0].given[1]", ["Patient.name[0].given[1]"]],
  ["name.last().given.first()", ["Patient.name[1].given[0]"]],
  ["Patient.name.where(use = 'usual')", ["Patient.name[1]"]],
  ["Patient.name.where(given = 'Idi').use", ["Patient.name[1].use"]],
  ["Patient.multipleBirth", ["Patient.multipleBirthInteger"]],
  ["Patient.multipleBirth.ofType(integer)", ["Patient.multipleBirthInteger"]],
  ["Patient.multipleBirth.ofType(boolean)", []],
  ["Patient.multipleBirth as FHIR.integer", ["Patient.multipleBirthInteger"]],
  ["Patient.birthDate", ["Patient.birthDate"]],
  ["Patient.birthDate.extension('http://example.org/b')", ["Patient.birthDate.extension[1]"]],
  ["Patient.birthDate.extension.url", ["Patient.birthDate.extension[0].url", "Patient.birthDate.extension[1].url"]],
  ["Patient.contained[0].name", ["Patient.contained[0].name"]],
  ["Patient.contained.ofType(Organization).name", ["Patient.contained[0].name"]],
  ["Patient.where(multipleBirth = 2).name[1]", ["Patient.name[1]"]],
  ["Patient.name.`given`[0]", ["Patient.name[0].given[0]"]],
  ["Patient.telecom.value", []],
])("the path %s leads to %s", (path, expected) => {
  expect(found(path)).toEqual(expected);
});

test("a list is located even where it is empty, one that does not repeat is none", () => {
  const telecom = locateList(scene(), "Patient.telecom");
  expect(telecom.ok && telecom.value).toMatchObject({ member: "telecom", type: "ContactPoint" });
  expect(locateList(scene(), "Patient.gender")).toMatchObject({ ok: false, refusals: [{ status: 422 }] });
  expect(locateList(scene(), "Patient.name.given")).toMatchObject({ ok: false, refusals: [{ status: 422 }] });
  expect(locateList(scene(), "Patient.name.first()")).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
  expect(locateList(scene(), "Patient.telecom.rank")).toMatchObject({ ok: false, refusals: [{ status: 422 }] });
  expect(locateList(scene(), "Patient.colour")).toMatchObject({ ok: false, refusals: [{ status: 422 }] });
});

test("a patch may look at so many elements and no more", () => {
  const poor: Scene = { resource: patient, budget: { elements: 1000, criteria: 3 } };
  expect(locate(poor, "Patient.name.where(use = 'usual')").ok).toBe(true);
  expect(locate(poor, "Patient.name.where(use = 'usual')")).toMatchObject({ refusals: [{ kind: "too-costly" }] });
});

test("a patch may pass so many elements on its paths and no more", () => {
  const poor: Scene = { resource: patient, budget: { elements: 6, criteria: 0 } };
  expect(locate(poor, "Patient.name").ok).toBe(true);
  expect(locate(poor, "Patient.name")).toMatchObject({ ok: true });
  expect(locate(poor, "Patient.name")).toMatchObject({ refusals: [{ kind: "too-costly", status: 422 }] });
});

test("brackets nested beyond reason are refused, not followed", () => {
  expect(locate(scene(), `${"(".repeat(400)}Patient${")".repeat(400)}`).ok).toBe(true);
  expect(locate(scene(), `Patient.name.where(${"(".repeat(450)}true${")".repeat(450)})`).ok).toBe(true);
  expect(locate(scene(), "(".repeat(1000))).toMatchObject({ refusals: [{ kind: "invalid", status: 400 }] });
});

test("the refusals say what is needed", () => {
  expect(notOne("Patient.name", 2).detail).toContain("2 elements are at Patient.name");
  expect(notOne("Patient.photo", 0).detail).toContain("nothing at Patient.photo");
  expect(noElement("Patient", "colour").detail).toContain("Patient has no element colour");
});
