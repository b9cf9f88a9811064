import type { Patient } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import type { ReceivedPerson } from "../../../src/domain/received-person.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import {
  birthTimeUrl,
  identifierOf,
  patientAfter,
  patientAfterOlder,
  toldBy,
  toldMsOf,
  withFormer,
  withIdentifiers,
} from "../../../src/fhir/received/person.ts";
import { checkResource } from "../../../src/fhir/resource-check.ts";

const event = { text: "2026-06-10T10:00:00Z", ms: Date.parse("2026-06-10T10:00:00Z") };
const silent: ReceivedPerson = {
  identifiers: [],
  names: undefined,
  birth: undefined,
  sex: undefined,
  addresses: undefined,
  telecoms: undefined,
  language: undefined,
  maritalStatus: undefined,
  diedAt: undefined,
  isDead: undefined,
};
const number = { system: "urn:a", value: "1", trust: "certain" } as const;
const told = (more: Partial<ReceivedPerson>, before?: Patient) =>
  patientAfter(before, { ...silent, ...more }, [number], event);

describe("a Patient after a message", () => {
  test("is a valid resource with all that it may say", () => {
    const patient = told({
      names: [{ kind: "L", family: "Harker", given: ["Ada", "Rose"], prefix: "Dr", suffix: "MBE" }],
      birth: { date: "1971-03-04", dateTime: "1971-03-04T05:06:00+01:00" },
      sex: "N",
      addresses: [
        {
          kind: "M",
          lines: ["1 Mill Lane"],
          city: "Northmoor",
          postalCode: "NM1 2AB",
          country: "GBR",
          district: "Moor",
        },
      ],
      telecoms: [
        { value: "0123", use: "PRN", equipment: "CP", fieldUse: "home" },
        { value: "a@b.example", fieldUse: "none" },
      ],
      language: { code: "cy", text: "Welsh" },
      maritalStatus: { code: "G" },
      isDead: true,
    });
    expect(patient).toMatchObject({
      gender: "other",
      name: [{ use: "official", family: "Harker", given: ["Ada", "Rose"], prefix: ["Dr"], suffix: ["MBE"] }],
      birthDate: "1971-03-04",
      _birthDate: { extension: [{ url: birthTimeUrl, valueDateTime: "1971-03-04T05:06:00+01:00" }] },
      address: [{ type: "postal", country: "GBR" }],
      telecom: [
        { system: "phone", use: "mobile" },
        { system: "email", value: "a@b.example" },
      ],
      communication: [{ language: { coding: [{ system: "urn:ietf:bcp:47", code: "cy" }] } }],
      maritalStatus: { coding: [{ code: "T" }] },
      deceasedBoolean: true,
    });
    expect(checkResource(createDefinitions({ types: "default" }), { ...patient, id: "x" }, "Patient")).toEqual([]);
  });

  test("keeps what the message is silent about, also what others have written", () => {
    const before: Patient = {
      resourceType: "Patient",
      id: "x",
      gender: "male",
      photo: [{ title: "kept" }],
      name: [{ family: "Before" }],
    };
    expect(told({}, before)).toMatchObject({
      gender: "male",
      photo: [{ title: "kept" }],
      name: [{ family: "Before" }],
    });
  });

  test("loses what the message takes away", () => {
    const before = told({ sex: "F", birth: { date: "1971-03-04", dateTime: "1971-03-04T05:06:00+01:00" } });
    const cleared = told({ sex: null, birth: null }, before);
    expect([cleared.gender, cleared.birthDate, "_birthDate" in cleared]).toEqual([undefined, undefined, false]);
  });

  test("of an older event changes nothing but a death that nobody has said anything of", () => {
    const alive = told({ sex: "F" });
    const older = (more: Partial<ReceivedPerson>, before = alive) => patientAfterOlder(before, { ...silent, ...more });
    expect(older({ sex: "M" })).toBeUndefined();
    expect(older({ sex: "M", isDead: true })).toEqual({ ...alive, deceasedBoolean: true });
    expect(older({ diedAt: "2026-06-01" })).toEqual({ ...alive, deceasedDateTime: "2026-06-01" });
    // Who was told not to be dead by something newer is not.
    const takenBack = told({ isDead: false }, told({ diedAt: "2026-06-01" }));
    expect(takenBack).toMatchObject({ deceasedBoolean: false });
    expect(older({ diedAt: "2026-06-01" }, takenBack)).toBeUndefined();
  });

  test("keeps the value where a code has no mapping: nothing is guessed", () => {
    expect(told({ sex: "Q" }, told({ sex: "F" })).gender).toBe("female");
  });

  test("says by which event it was told", () => {
    const patient = told({});
    expect(toldMsOf(patient)).toBe(event.ms);
    expect(toldBy(patient.extension, { text: "", ms: event.ms + 1 })).toHaveLength(1);
    expect(toldMsOf({})).toBeUndefined();
  });
});

describe("identifiers", () => {
  test("are added once and never taken away", () => {
    const once = withIdentifiers([], [number, number]);
    expect(once).toEqual([identifierOf(number)]);
    expect(withIdentifiers([{ system: "urn:b", value: "9" }], [number])).toHaveLength(2);
  });

  test("that go out of use stay as former ones", () => {
    expect(withFormer([identifierOf(number)], [number])).toEqual([{ system: "urn:a", value: "1", use: "old" }]);
    expect(withFormer([], [number])[0]?.use).toBe("old");
  });
});
