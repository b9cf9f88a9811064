import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { lowPeakCoughFlow } from "../../../src/domain/rules/low-peak-cough-flow.ts";
import { examplePicture, exampleSession } from "../example-picture.ts";

function picture(flows: readonly number[], birthDay: string | undefined = "1980-01-01") {
  const sessions = flows.map((flow, i) =>
    exampleSession(`2026-03-${10 + i}T08:00`, { peakCoughFlowLitresPerMinute: flow }),
  );
  return examplePicture({ sessions, ...(birthDay !== undefined && { birthDay }) });
}

const severity = (flows: readonly number[], birthDay?: string) =>
  findingsOf(lowPeakCoughFlow, picture(flows, birthDay)).map((finding) => finding.severity);

describe("three sessions in a row", () => {
  // Panitch 2006, Curr Opin Pediatr 18:277: 160 L/min as adequate.
  test("all under 160 L/min are for review; 160 itself is not under it", () => {
    expect(severity([159, 150, 140])).toEqual(["review"]);
    expect(severity([160, 150, 140])).toEqual(["information"]);
  });

  // AARC clinical practice guideline, Strickland 2013, Respir Care 58(12):2187-2193: 270 L/min.
  test("all under 270 L/min are information; one of 270 is enough for none", () => {
    expect(severity([269, 200, 180])).toEqual(["information"]);
    expect(severity([270, 150, 140])).toEqual([]);
  });

  test("two are too few, and older ones do not count", () => {
    expect(severity([150, 140])).toEqual([]);
    expect(severity([150, 140, 300, 150, 140])).toEqual([]);
    expect(severity([300, 150, 140, 130])).toEqual(["review"]);
  });
});

// British Thoracic Society guideline, Hull 2012, Thorax 67 suppl 1: peak cough flow from age 12 up.
describe("age", () => {
  test("from the twelfth birthday on, not the day before", () => {
    expect(severity([150, 140, 130], "2014-03-15")).toEqual(["review"]);
    expect(severity([150, 140, 130], "2014-03-16")).toEqual([]);
  });

  test("without a birth date nothing is found, and the step says why", () => {
    const { birthDay: _, ...unknown } = picture([150, 140, 130]);
    const [examination] = lowPeakCoughFlow.examine(unknown);
    expect(examination?.steps).toMatchObject([{ name: "age", holds: false }]);
    expect(examination?.steps[0]?.text).toMatch(/No birth date/);
  });
});

test("each step names the source of its threshold", () => {
  const [examination] = lowPeakCoughFlow.examine(picture([150, 140, 130]));
  expect(examination?.steps.map(({ name, source }) => [name, source?.split(":")[0]])).toEqual([
    ["age", "Peak cough flow is measured from age 12 up"],
    ["sessions-with-flow", "choice of this service, no published source"],
    ["highest-flow", "270 L/min, below which cough-assist techniques are used in neuromuscular disease"],
    ["severity", "160 L/min as adequate cough in adults"],
  ]);
});
