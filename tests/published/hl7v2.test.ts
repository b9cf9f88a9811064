import type { Patient } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { observationStatus } from "../../src/fhir/received/observation.ts";
import { patientAfter } from "../../src/fhir/received/person.ts";
import {
  addressTypes,
  addressUses,
  contactSystems,
  encounterClasses,
  genders,
  mapped,
  maritalStatuses,
  nameUses,
} from "../../src/fhir/received/tables.ts";
import { readHeader, readMessage, segmentsOf } from "../../src/intake/hl7v2/message.ts";
import { readPerson } from "../../src/intake/hl7v2/person.ts";

// The tables of the HL7 v2-to-FHIR guide, http://hl7.org/fhir/uv/v2mappings (version 1.0.0), as its pages print them; a code
// before a dash has no mapping there.
const guide = {
  "ConceptMap table-hl70001-to-administrative-gender": [
    genders,
    "F female, M male, O other, U unknown, A other, N other",
  ],
  "ConceptMap table-hl70200-to-name-use": [
    nameUses,
    "BAD old, A -, B -, C -, D usual, F -, I -, K -, L official, M maiden, MSK anonymous, N nickname, NAV temp, NB -, NOUSE -, P -, R official, REL -, S -, T -, TEMP temp, U -",
  ],
  "ConceptMap table-hl70190-to-address-use": [
    addressUses,
    "BA old, BI billing, N -, BDL -, F -, C temp, B work, H home, L -, M -, O work, P -, RH -, BR -, S -, SH -, TM -, V -",
  ],
  "ConceptMap table-hl70190-to-address-type": [addressTypes, "M postal, SH postal, BA -, BI -, H -, L -"],
  // CP maps to the use `mobile` there; its system is ours to say, and is phone.
  "ConceptMap table-hl70202-to-contact-point-system": [
    contactSystems,
    "PH phone, FX fax, MD other, SAT other, BP pager, Internet email, X.400 email, TDD other, TTY other",
  ],
} as const;

describe.each(Object.entries(guide))("%s", (_name, [table, lines]) => {
  test.each(lines.split(", ").map((line) => line.split(" ")))("%s → %s", (code = "", target = "") => {
    expect(mapped(table, code)).toBe(target === "-" ? undefined : target);
  });
});

describe("ConceptMap table-hl70002-to-v3-marital-status", () => {
  const lines = "A L, D D, M M, S S, W W, C C, G T, P T, R T, E L, N A, I I, B U, U UNK, O OTH, T NAVU";
  test.each(lines.split(", ").map((line) => line.split(" ")))("%s → %s", (code = "", target) => {
    expect(maritalStatuses[code]?.[1]).toBe(target);
  });
});

describe("ConceptMap table-hl70004-to-v3-actcode", () => {
  test.each(["E EMER", "I IMP", "O AMB", "P PRENC"].map((line) => line.split(" ")))("%s → %s", (code = "", target) => {
    expect(encounterClasses[code]?.[1]).toBe(target);
  });
});

describe("ConceptMap table-hl70085-to-observation-status", () => {
  const lines =
    "A amended, C corrected, D entered-in-error, F final, P preliminary, W entered-in-error, X cancelled, R -, S -, B -, I -, O -";
  test.each(lines.split(", ").map((line) => line.split(" ")))("%s → %s", (code = "", target) => {
    expect(observationStatus(code, { unverified: "skip" })).toBe(target === "-" ? undefined : target);
  });
});

function patientOf(text: string): Patient {
  const bytes = Buffer.from(text);
  const header = readHeader(bytes);
  if (!header.ok) throw new Error(JSON.stringify(header.refusals));
  const message = readMessage(bytes, header.value);
  if (!message.ok) throw new Error(JSON.stringify(message.refusals));
  const [pid] = segmentsOf(message.value, "PID");
  const person = pid && readPerson(message.value, pid, { zone: "Europe/London" });
  if (person?.ok !== true) throw new Error(JSON.stringify(person));
  return patientAfter(undefined, person.value, [], { text: "", ms: 0 });
}

// Segment PID to Patient of the same guide.
describe("PID", () => {
  const of = (pid: string) => patientOf(`MSH|^~\\&|A|B|||20260610||ADT^A28|1|P|2.5.1\r${pid}\r`);

  test("7 of eight characters is a birthDate, a longer one brings the extension patient-birthTime", () => {
    expect("_birthDate" in of("PID|||1||A^B||19710304")).toBe(false);
    const timed = of("PID|||1||A^B||197103040506+0100");
    expect(timed.birthDate).toBe("1971-03-04");
    expect((timed as { _birthDate?: unknown })._birthDate).toEqual({
      extension: [
        {
          url: "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
          valueDateTime: "1971-03-04T05:06:00+01:00",
        },
      ],
    });
  });

  test("13 and 14 without a use are of home and of work", () => {
    expect(of("PID|||1||A^B||||||||011|022").telecom).toMatchObject([{ use: "home" }, { use: "work" }]);
  });

  test("29 goes before 30", () => {
    const died = `PID|||1||A^B${"|".repeat(24)}20260609|Y`;
    expect(of(died)).toMatchObject({ deceasedDateTime: "2026-06-09" });
    expect(of(`PID|||1||A^B${"|".repeat(25)}Y`).deceasedBoolean).toBe(true);
  });
});

// An admission that stands in many public test suites and goes back to the standard's own examples (from memory: chapter 2 of
// HL7 v2). Its person is invented.
test("the sample admission that everybody copies is read", () => {
  const sample = [
    "MSH|^~\\&|ADT1|MCM|LABADT|MCM|198808181126|SECURITY|ADT^A01|MSG00001-|P|2.6",
    "EVN|A01|198808181123",
    "PID|||PATID1234^5^M11^^AN||JONES^WILLIAM^A^III||19610615|M||2106-3|677 DELAWARE AVENUE^^EVERETT^MA^02149|GL|(919)379-1212|(919)271-3434~(919)277-3114||S||PATID12345001^2^M10^^ACSN|123456789|9-87654^NC",
    "NK1|1|JONES^BARBARA^K|SPO|||||20011105",
    "PV1|1|I|2000^2012^01||||004777^LEBAUER^SIDNEY^J.|||SUR||-||ADM|A0",
  ].join("\r");
  expect(patientOf(sample)).toMatchObject({
    name: [{ family: "JONES", given: ["WILLIAM", "A"], suffix: ["III"] }],
    birthDate: "1961-06-15",
    gender: "male",
    address: [{ line: ["677 DELAWARE AVENUE"], city: "EVERETT", state: "MA", postalCode: "02149" }],
    telecom: [{ value: "(919)379-1212" }, { value: "(919)271-3434" }, { value: "(919)277-3114" }],
    maritalStatus: { coding: [{ code: "S" }] },
  });
});
