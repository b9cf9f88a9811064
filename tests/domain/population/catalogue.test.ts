import { expect, test } from "vitest";
import { measuresOf } from "../../../src/domain/measures.ts";
import { bandedMeasures, bandKeys, figureTexts } from "../../../src/domain/population/catalogue.ts";
import { picture } from "../june-picture.ts";

test("every figure has a code of its own, a title and a definition, and is out of one that exists", () => {
  const codes = figureTexts.map(({ code }) => code);
  expect(new Set(codes).size).toBe(codes.length);
  for (const { code, title, definition, outOf, kind, unit } of figureTexts) {
    expect([code, title !== "", definition.length > 20]).toEqual([code, true, true]);
    if (outOf !== undefined) expect(codes).toContain(outOf);
    expect([code, kind === "count"]).toEqual([code, unit === "1"]);
  }
});

test("every measure that individual reports compute is counted in bands, with those of whom it is not known", () => {
  const measures = measuresOf(picture(), "2026-06-01", "2026-06-02").map(({ code }) => code);
  expect(bandedMeasures).toEqual(measures);
  for (const measure of measures) {
    for (const band of bandKeys) expect(figureTexts.map(({ code }) => code)).toContain(`${measure}.${band}`);
  }
});
