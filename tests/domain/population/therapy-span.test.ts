import { describe, expect, test } from "vitest";
import { addDays } from "../../../src/domain/local-day.ts";
import { planInForce } from "../../../src/domain/plan-in-force.ts";
import { meetsDays, therapyRanges, therapySpan } from "../../../src/domain/population/therapy-span.ts";
import type { Plan } from "../../../src/domain/prescription.ts";
import { plan, twiceDaily } from "../june-picture.ts";

const of = (firstDay: string, over: Partial<Plan> = {}) => plan(twiceDaily, { firstDay, ...over });

test("the ranges hold exactly the days on which the plans say that one is in force", () => {
  const plans = [
    of("2026-01-10", { status: "completed", endDay: "2026-02-01" }),
    of("2026-03-01", { status: "draft" }),
    of("2026-03-05", { status: "revoked" }),
    of("2026-04-01", { status: "on-hold" }),
  ];
  const ranges = therapyRanges({ plans });
  for (let day = "2026-01-01"; day < "2026-05-01"; day = addDays(day, 1)) {
    expect([day, meetsDays(ranges, day, addDays(day, 1))]).toEqual([day, planInForce(plans, day) !== undefined]);
  }
});

describe("from the first start to the last end", () => {
  test("a gap between two plans is no end and no start", () => {
    const plans = [of("2026-01-10", { status: "completed", endDay: "2026-02-01" }), of("2026-04-01")];
    expect(therapySpan(therapyRanges({ plans }))).toEqual({ firstDay: "2026-01-10" });
    const both = [plans[0] as Plan, of("2026-04-01", { status: "completed", endDay: "2026-05-01" })];
    expect(therapySpan(therapyRanges({ plans: both }))).toEqual({ firstDay: "2026-01-10", endDay: "2026-05-01" });
  });

  test("a death ends it, and a plan from after the death never began", () => {
    const plans = [of("2026-01-10"), of("2026-06-01")];
    expect(therapySpan(therapyRanges({ plans, deceasedDay: "2026-03-03" }))).toEqual({
      firstDay: "2026-01-10",
      endDay: "2026-03-03",
    });
  });

  test("without any plan there is none", () => {
    expect(therapySpan(therapyRanges({ plans: [] }))).toBeUndefined();
    expect(therapySpan(therapyRanges({ plans: [of("2026-01-10")], deceasedDay: "2026-01-10" }))).toBeUndefined();
  });
});
