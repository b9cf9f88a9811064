import { expect, test } from "vitest";
import { membersOf } from "../../../src/domain/disclosure/table.ts";
import { ageBand, interfaceGroup, sides, sideTitles } from "../../../src/domain/population/dimensions.ts";
import { interfaces } from "../../../src/fhir/terminology/therapy.ts";
import { plan, twiceDaily } from "../june-picture.ts";

test("an age falls into the band that holds its completed years", () => {
  const on = (birthDay: string | undefined) => ageBand(birthDay, "2026-05-01");
  expect(["2026-06-01", "2026-05-01", "2021-05-02", "2021-05-01", "2014-05-02", "2014-05-01"].map(on)).toEqual([
    "0-4",
    "0-4",
    "0-4",
    "5-11",
    "5-11",
    "12-17",
  ]);
  expect(
    ["2008-05-02", "2008-05-01", "1986-05-02", "1986-05-01", "1961-05-02", "1961-05-01", undefined].map(on),
  ).toEqual(["12-17", "18-39", "18-39", "40-64", "40-64", "65+", "unknown"]);
});

test("every interface that this service knows is of a group", () => {
  const groups = Object.keys(interfaces).map((code) =>
    interfaceGroup([plan(twiceDaily)], { "profile-1": code }, "2026-05-01"),
  );
  expect(groups).toEqual(["mask", "mask", "mask", "mouthpiece", "tracheostomy", "tracheostomy"]);
  expect(interfaceGroup([plan(twiceDaily)], { "profile-1": "helmet" }, "2026-05-01")).toBe("unknown");
  expect(interfaceGroup([plan(twiceDaily)], {}, "2026-05-01")).toBe("unknown");
});

test("the interface is that of the usual profile of the plan that began last before the end", () => {
  const [old, now, next] = [
    plan(twiceDaily, {
      planId: "a",
      firstDay: "2026-01-01",
      profiles: [{ profileId: "old", role: "usual", schedule: twiceDaily }],
    }),
    plan(twiceDaily, {
      planId: "b",
      firstDay: "2026-03-01",
      profiles: [
        { profileId: "ill", role: "chest-infection", schedule: twiceDaily },
        { profileId: "usual", role: "usual", schedule: twiceDaily },
      ],
    }),
    plan(twiceDaily, {
      planId: "c",
      firstDay: "2026-05-01",
      profiles: [{ profileId: "next", role: "usual", schedule: twiceDaily }],
    }),
  ] as const;
  const codes = { old: "mask", ill: "mask-nasal", usual: "mouthpiece", next: "tracheostomy-adapter" };
  const plans = [next, old, now];
  expect(interfaceGroup(plans, codes, "2026-05-01")).toBe("mouthpiece");
  expect(interfaceGroup(plans, codes, "2026-05-02")).toBe("tracheostomy");
  expect(interfaceGroup(plans, { ...codes, usual: "" }, "2026-05-01")).toBe("mask");
});

test("every member of every dimension has a title, in the order of the tables", () => {
  for (const { name, whole } of sides)
    expect(Object.keys(sideTitles[name]).sort()).toEqual(
      membersOf(whole)
        .map(({ key }) => key)
        .sort(),
    );
  expect(sides[0]?.whole.parts?.map(({ key }) => key)).toEqual([
    "0-4",
    "5-11",
    "12-17",
    "18-39",
    "40-64",
    "65+",
    "unknown",
  ]);
});
