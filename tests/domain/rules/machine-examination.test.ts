import { expect, test } from "vitest";
import type { MachineUse } from "../../../src/domain/device.ts";
import { examineMachines } from "../../../src/domain/rules/machine-examination.ts";
import { examplePicture, instant } from "../example-picture.ts";

function useOf(deviceId: string, over: Partial<MachineUse> = {}): MachineUse {
  return {
    useId: `use-of-${deviceId}`,
    deviceId,
    patientId: "patient-1",
    startMs: instant("2026-01-01T09:00"),
    ...over,
  };
}

function subjects(machineUses: MachineUse[], over = {}): string[] {
  const picture = examplePicture({ machineUses, ...over });
  return examineMachines(picture, (use, ask) => {
    ask({ name: "with-patient", text: use.useId, holds: true });
    return undefined;
  }).map((one) => `${one.subject} ${one.steps.map((step) => step.text).join()}`);
}

test("each machine that is with the patient is examined under its own name", () => {
  expect(subjects([useOf("bedroom"), useOf("school")])).toEqual([
    "Device/bedroom use-of-bedroom",
    "Device/school use-of-school",
  ]);
});

test("a machine that goes back at this very moment is with the patient no more; a moment later it still is", () => {
  const nowMs = instant("2026-03-15T12:00");
  expect(subjects([useOf("gone", { endMs: nowMs })])).toEqual([]);
  expect(subjects([useOf("staying", { endMs: nowMs + 1 })])).toHaveLength(1);
});

test("a machine handed over at this very moment is with the patient; a moment later it is not yet", () => {
  const nowMs = instant("2026-03-15T12:00");
  expect(subjects([useOf("new", { startMs: nowMs })])).toHaveLength(1);
  expect(subjects([useOf("coming", { startMs: nowMs + 1 })])).toEqual([]);
});

test("nothing is examined where there is no machine, or the person has died", () => {
  expect(subjects([])).toEqual([]);
  expect(subjects([useOf("left-behind")], { deceasedDay: "2026-03-10" })).toEqual([]);
});

test("a machine recorded twice at once is examined once, by the record that began first", () => {
  const later = useOf("twice", { useId: "later", startMs: instant("2026-02-01T09:00") });
  expect(subjects([later, useOf("twice", { useId: "earlier" })])).toEqual(["Device/twice earlier"]);
});
