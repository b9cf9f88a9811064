import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { addDays } from "../../../src/domain/local-day.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { examinationsOf, review } from "../../../src/domain/review.ts";
import { catalogue, safetyRules } from "../../../src/domain/rules/catalogue.ts";
import type { Session } from "../../../src/domain/session.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { examplePicture, examplePlan, exampleSession, instant } from "../example-picture.ts";

// The picture is of noon on 15 March 2026.
const day = fc.integer({ min: 0, max: 80 }).map((count) => addDays("2025-12-31", count));
const span = fc.tuple(day, fc.option(fc.integer({ min: 0, max: 40 })));
const daysOf = ([firstDay, length]: readonly [string, number | null]) => ({
  firstDay,
  ...(length !== null && { endDay: addDays(firstDay, length) }),
});
const optional = <T>(value: fc.Arbitrary<T>) => fc.option(value, { nil: undefined });

const session = fc
  .record({
    on: day,
    hour: fc.integer({ min: 0, max: 23 }),
    minutes: fc.integer({ min: 1, max: 40 }),
    slot: optional(fc.constantFrom("1", "2")),
    flow: optional(fc.constantFrom(120, 200, 300)),
    saturation: optional(fc.constantFrom(85, 92, 97)),
    pressure: optional(fc.constantFrom(40, 50)),
    short: optional(fc.integer({ min: 0, max: 20 })),
    test: optional(fc.constant(true)),
  })
  .map(({ on, hour, minutes, slot, flow, saturation, pressure, short, test: isTest }): Session => {
    const made = exampleSession(`${on}T${String(hour).padStart(2, "0")}:00`);
    return {
      ...made,
      endMs: made.startMs + minutes * 60_000,
      ...(slot !== undefined && { profileSlot: slot }),
      ...(flow !== undefined && { peakCoughFlowLitresPerMinute: flow }),
      ...(saturation !== undefined && { lowestSpo2Percent: saturation }),
      ...(pressure !== undefined && { setInsufflationPressureCmH2O: pressure }),
      ...(short !== undefined && { cyclesShortOfPressure: short }),
      ...(isTest !== undefined && { test: true }),
    };
  })
  .filter((one) => one.startMs < instant("2026-03-15T12:00"));

const infectionProfile = {
  profileId: "ill",
  role: "chest-infection",
  slot: "2",
  schedule: { kind: "when-needed" },
} as const;

const picture: fc.Arbitrary<Picture> = fc
  .record({
    sessions: fc.uniqueArray(session, { maxLength: 25, selector: (one) => one.sessionId }),
    plan: optional(fc.record({ days: span, held: optional(span), reviewDay: optional(day), overridden: fc.boolean() })),
    flag: optional(
      fc.record({ from: day, class: fc.constantFrom("absolute", "relative", "momentary"), active: fc.boolean() }),
    ),
    infections: fc.array(span, { maxLength: 2 }),
    absences: fc.array(span, { maxLength: 2 }),
    screenings: fc.array(day, { maxLength: 2 }),
    parts: fc.array(
      fc.record({ kind: fc.constantFrom("circuit", "dust-filter", "mask"), on: day, soiled: optional(day) }),
      { maxLength: 3 },
    ),
    coverage: fc.array(fc.tuple(day, fc.integer({ min: 1, max: 60 })), { maxLength: 2 }),
    drift: optional(fc.integer({ min: -600, max: 600 })),
    alerts: fc.array(day, { maxLength: 5 }),
    serviceDue: optional(day),
    birthDay: optional(fc.constantFrom("1970-01-01", "2020-01-01")),
    watched: fc.boolean(),
    tracheostomy: fc.boolean(),
  })
  .map((of): Picture => {
    const { plan, flag, birthDay } = of;
    return examplePicture({
      sessions: [...of.sessions].sort((a, b) => a.startMs - b.startMs),
      plans:
        plan === undefined
          ? []
          : [
              examplePlan({
                ...daysOf(plan.days),
                holds: plan.held === undefined ? [] : [daysOf(plan.held)],
                ...(plan.reviewDay !== undefined && { reviewDay: plan.reviewDay }),
                ...(plan.overridden && { overrides: [{ flagId: "flag-1", reason: "Agreed." }] }),
                profiles: [...examplePlan().profiles, infectionProfile],
              }),
            ],
      contraindications:
        flag === undefined
          ? []
          : [
              {
                flagId: "flag-1",
                code: "pneumothorax",
                title: "Pneumothorax",
                class: flag.class,
                active: flag.active,
                startMs: instant(`${flag.from}T09:00`),
              },
            ],
      infections: of.infections.map((one, i) => ({ conditionId: `condition-${i}`, ...daysOf(one) })),
      absences: of.absences.map((one, i) => ({ sourceId: `absence-${i}`, kind: "hospital", ...daysOf(one) })),
      screenings: of.screenings.map((on, i) => ({ responseId: `response-${i}`, day: on })),
      parts: of.parts.map(({ kind, on, soiled }, i) => ({
        partId: `part-${i}`,
        kind,
        fittedDay: on,
        ...(soiled !== undefined && { soiledDay: soiled }),
      })),
      coverage: of.coverage.map(([on, length], i) => ({
        deviceId: "machine-1",
        uploadId: `upload-${i}`,
        startMs: instant(`${on}T00:00`),
        endMs: instant(`${addDays(on, length)}T00:00`),
      })),
      clockChecks:
        of.drift === undefined
          ? []
          : [
              {
                uploadId: "upload-0",
                deviceId: "machine-1",
                readMs: instant("2026-03-14T12:00"),
                driftMs: of.drift * 1000,
              },
            ],
      alerts: of.alerts.map((on, i) => ({
        observationId: `alert-${i}`,
        patientId: "patient-1",
        deviceId: "machine-1",
        code: "E-1",
        atMs: instant(`${on}T12:00`),
        localDay: on,
      })),
      machineUses: [
        {
          useId: "use-1",
          deviceId: "machine-1",
          patientId: "patient-1",
          startMs: instant("2025-12-01T00:00"),
          ...(of.serviceDue !== undefined && { serviceDueDay: of.serviceDue }),
        },
      ],
      tracheostomy: of.tracheostomy,
      ...(birthDay !== undefined && { birthDay }),
      thresholds: {
        ...defaultThresholds,
        changeSignal: { ...defaultThresholds.changeSignal, on: of.watched, baselineDays: 5 },
      },
    });
  });

describe.each(catalogue.map((rule) => [rule.code, rule] as const))("the rule %s", (code, rule) => {
  test("finds something exactly when every answer is what it looks for", () => {
    fc.assert(
      fc.property(picture, (of) => {
        for (const { steps, finding, subject } of rule.examine(of)) {
          expect(steps.length).toBeGreaterThan(0);
          expect(finding !== undefined, `${subject}: ${JSON.stringify(steps)}`).toBe(steps.every((step) => step.holds));
          // It stops at the first answer that it does not look for.
          expect(steps.slice(0, -1).every((step) => step.holds)).toBe(true);
        }
      }),
    );
  });

  test("speaks under its own code, about what it examined, in words", () => {
    fc.assert(
      fc.property(picture, (of) => {
        for (const { subject, steps, finding } of rule.examine(of)) {
          for (const step of steps) {
            expect(step.name).toMatch(/^[a-z][a-z0-9-]*$/);
            expect(step.text).toMatch(/\S.*[.!"]$/);
          }
          if (finding === undefined) continue;
          expect([finding.rule, finding.subject]).toEqual([code, subject]);
          expect(finding.sinceDay <= of.today, finding.sinceDay).toBe(true);
          for (const text of [finding.text, finding.clearsWhen, ...finding.evidence.map((one) => one.text)]) {
            expect(text).not.toMatch(/undefined|NaN|Infinity|\[object/);
          }
        }
      }),
    );
  });

  test("says nothing twice about one subject", () => {
    fc.assert(
      fc.property(picture, (of) => {
        const subjects = rule.examine(of).map((one) => one.subject);
        expect(new Set(subjects).size).toBe(subjects.length);
      }),
    );
  });
});

test("the order and repetition of sessions never change what is found", () => {
  fc.assert(
    fc.property(picture, (of) => {
      const sessions = [...of.sessions, ...of.sessions.slice(0, 3)].reverse();
      expect(review({ ...of, sessions }).findings).toEqual(review(of).findings);
    }),
  );
});

test("no finding of safety is lost when less has been read, or a person closed its Task yesterday", () => {
  const closed = (rule: string, subject: string) =>
    ({
      taskId: `${rule}-${subject}`,
      rule,
      subject,
      episode: 1,
      status: "completed",
      severity: "urgent",
      evidenceDigest: "",
      closedMs: instant("2026-03-14T12:00"),
      closedBy: "person",
      clearedSince: false,
    }) as const;
  fc.assert(
    fc.property(picture, (of) => {
      const safety = review(of).findings.filter((finding) => finding.safety);
      const tasks = safety.map(({ rule, subject }) => closed(rule, subject));
      const again = review({ ...of, coverage: [], tasks });
      for (const { rule, subject } of safety) {
        expect(again.findings.some((one) => one.rule === rule && one.subject === subject && one.safety)).toBe(true);
        expect(
          again.steps.some(
            (step) => step.kind === "raise" && step.finding.rule === rule && step.finding.subject === subject,
          ),
        ).toBe(true);
      }
    }),
  );
});

describe("a rule that the thresholds switch off", () => {
  const off = (of: Picture, codes: readonly string[]): Picture => ({
    ...of,
    thresholds: { ...of.thresholds, disabledRules: codes },
  });

  test("finds nothing and is not examined", () => {
    fc.assert(
      fc.property(
        picture,
        fc.constantFrom(...catalogue.filter((rule) => !safetyRules.includes(rule))),
        (of, { code }) => {
          const without = off(of, [code]);
          expect(review(without).findings).toEqual(review(of).findings.filter((finding) => finding.rule !== code));
          expect(examinationsOf(without).map((one) => one.rule.code)).not.toContain(code);
        },
      ),
      { numRuns: 50 },
    );
  });

  test("is not one of safety, whatever the thresholds say", () => {
    fc.assert(
      fc.property(picture, (of) => {
        const codes = safetyRules.map((rule) => rule.code);
        expect(review(off(of, codes)).findings).toEqual(review(of).findings);
      }),
      { numRuns: 50 },
    );
  });
});

test("every finding names the thresholds that it was made with", () => {
  fc.assert(
    fc.property(picture, (of) => {
      for (const finding of review(of).findings) expect(finding.thresholdsVersion).toBe(of.thresholds.version);
    }),
    { numRuns: 30 },
  );
});

test("a patient who has died is examined by no rule", () => {
  expect(examinationsOf(examplePicture({ deceasedDay: "2026-03-15" }))).toEqual([]);
});
