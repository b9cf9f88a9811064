import { expect, test } from "vitest";
import { useAt } from "../../src/domain/device.ts";

const uses = [
  { useId: "a", deviceId: "d", patientId: "ada", startMs: 10, endMs: 20 },
  { useId: "b", deviceId: "d", patientId: "ben", startMs: 20 },
];

test("at the instant of a handover the device is with the person who receives it", () => {
  expect(useAt(uses, 19)?.patientId).toBe("ada");
  expect(useAt(uses, 20)?.patientId).toBe("ben");
});

test("before the first handover nobody has it", () => {
  expect(useAt(uses, 9)).toBeUndefined();
});
