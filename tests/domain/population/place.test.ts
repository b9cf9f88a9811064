import { describe, expect, test } from "vitest";
import { membersOf } from "../../../src/domain/disclosure/table.ts";
import { placeKey, placeTree } from "../../../src/domain/population/place.ts";

const organizations = [
  { id: "region", name: "Region" },
  { id: "service", name: "Service", partOfId: "region" },
  { id: "site-b", partOfId: "service" },
  { id: "site-a", name: "Site A", partOfId: "service" },
];

test("sites are in services are in regions are in all, in the order of their ids", () => {
  expect(placeTree(organizations, new Set(["site-a"])).dimension).toEqual({
    name: "place",
    parts: "disjoint",
    whole: {
      key: "all",
      parts: [
        {
          key: placeKey("region"),
          parts: [{ key: placeKey("service"), parts: [{ key: placeKey("site-a") }, { key: placeKey("site-b") }] }],
        },
        { key: "unknown" },
      ],
    },
  });
});

describe("everybody has a leaf", () => {
  test("people of an organisation with parts are apart from those of its parts", () => {
    const places = placeTree(organizations, new Set(["service"]));
    expect(places.leafOf("service")).toBe("Organization/service/itself");
    expect(places.leafOf("site-a")).toBe("Organization/site-a");
    expect(places.titles).toMatchObject({
      "Organization/service/itself": "Service, no part of it named",
      "Organization/site-b": "site-b",
    });
  });

  test("people of no organisation, of one that is not on record and of a circle are of an unknown place", () => {
    const circle = [
      { id: "a", partOfId: "b" },
      { id: "b", partOfId: "a" },
    ];
    const places = placeTree([...organizations, ...circle], new Set(["a"]));
    expect([undefined, "elsewhere", "a", ""].map((id) => places.leafOf(id))).toEqual(Array(4).fill("unknown"));
  });

  test("an organisation that is part of one that is not here stands by itself", () => {
    const places = placeTree([{ id: "lone", partOfId: "gone" }], new Set());
    expect(membersOf(places.dimension.whole).map(({ key }) => key)).toEqual(["all", "Organization/lone", "unknown"]);
  });

  test("every leaf that is given is a leaf of the tree", () => {
    const places = placeTree(organizations, new Set(["region", "service", "site-a"]));
    const leaves = membersOf(places.dimension.whole)
      .filter(({ parts }) => parts === undefined)
      .map(({ key }) => key);
    for (const id of ["region", "service", "site-a", "site-b", "none"]) expect(leaves).toContain(places.leafOf(id));
    expect(Object.keys(places.titles).sort()).toEqual(
      membersOf(places.dimension.whole)
        .map(({ key }) => key)
        .sort(),
    );
  });
});
