import { type MachineUse, useAt } from "../device.ts";
import type { Finding } from "../finding.ts";
import type { Picture } from "../picture.ts";
import { examination } from "./examination.ts";
import type { Examination, Step } from "./rule.ts";

/**
 * Examines each machine that is with the patient now, under `Device/<id>`; none for a person who has died. A machine
 * that two records give to the patient at once is examined by the one that began first.
 */
export function examineMachines(
  picture: Picture,
  look: (use: MachineUse, ask: (step: Step) => boolean, subject: string) => Finding | undefined,
): Examination[] {
  if (picture.deceasedDay !== undefined) return [];
  const byDevice = new Map<string, MachineUse>();
  for (const use of [...picture.machineUses].sort((a, b) => a.startMs - b.startMs)) {
    if (useAt([use], picture.nowMs) !== undefined && !byDevice.has(use.deviceId)) byDevice.set(use.deviceId, use);
  }
  return [...byDevice.values()].map((use) => {
    const subject = `Device/${use.deviceId}`;
    return examination(subject, (ask) => look(use, ask, subject));
  });
}
