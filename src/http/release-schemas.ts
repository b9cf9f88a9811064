import { z } from "zod";
import { policyNames } from "../flows/release.ts";

const text = (most: number) =>
  z
    .string()
    .max(most)
    .refine((one) => one.isWellFormed() && !one.includes("\u0000"), "Text without U+0000")
    .refine((one) => one.trim() !== "", "Text that is not empty");

const person = text(200).describe("Who does this: the person's name, which stays with the release.");

export const requestBody = z.strictObject({
  period: z.string().max(20).describe("A month, quarter or year that is over: 2026-05, 2026-Q2, 2026."),
  policy: z.enum(policyNames),
  name: person,
});
export const signBody = z.strictObject({ name: person });
export const withdrawBody = z.strictObject({ name: person, reason: text(1_000).describe("Readers are told it.") });

const number = z.coerce.number().int().min(1).max(2_147_483_647);
export const numberParams = z.object({ number });
export const listQuery = z.strictObject({
  count: z.coerce.number().int().min(1).max(200).default(50),
  before: number.optional().describe("Only releases with a lower number."),
});

const doer = z.object({ name: z.string(), at: z.iso.datetime() });

/** Where a release stands. */
export const summarySchema = z.object({
  number: z.number().int(),
  period: z.string(),
  policy: z.string(),
  state: z.enum(["computing", "refused", "drafted", "released", "withdrawn"]),
  progress: z.object({ done: z.number().int(), total: z.number().int() }).optional(),
  asked: doer.optional(),
  signed: doer.optional(),
  withdrawn: doer.optional(),
  reason: z.string().optional(),
  sha256: z.string().optional(),
  audit: z.looseObject({}).optional(),
});
export const listAnswer = z.object({
  cautions: z.string(),
  releases: z.array(summarySchema),
  next: z.number().int().optional(),
});

/** The frozen content, for the description of the door alone: what is sent is the stored text. */
export const frozenSchema = z.object({
  number: z.number().int(),
  period: z.object({
    code: z.string(),
    kind: z.enum(["month", "quarter", "year"]),
    firstDay: z.iso.date(),
    endDay: z.iso.date().describe("The first day after it."),
  }),
  policy: z.object({ name: z.string(), text: z.string() }),
  ruleVersion: z.string(),
  cautions: z.array(z.string()),
  star: z.string().describe("What null stands for in counts, percentages and medians."),
  figures: z.array(
    z.object({
      code: z.string(),
      title: z.string(),
      definition: z.string(),
      unit: z.string().describe("UCUM."),
      kind: z.enum(["count", "median"]),
      outOf: z.string().optional().describe("Code of the figure that percentages are of."),
    }),
  ),
  tables: z.array(
    z.object({
      figure: z.string(),
      dimensions: z.array(
        z.object({
          name: z.string(),
          members: z.array(z.object({ key: z.string(), title: z.string(), level: z.number().int() })),
        }),
      ),
      rows: z.array(
        z.object({
          at: z.record(z.string(), z.string()),
          count: z.number().int().nullable(),
          percent: z.number().nullable().optional(),
          median: z.number().nullable().optional(),
        }),
      ),
    }),
  ),
});
