import { expect, test } from "vitest";
import { ownerFor } from "../../src/domain/task-routing.ts";

const all = { owner: "CareTeam/all" };
const north = { organizationId: "north", owner: "CareTeam/north" };
const circuits = { rule: "part-overdue", owner: "CareTeam/circuits" };
const circuitsNorth = { rule: "part-overdue", organizationId: "north", owner: "CareTeam/circuits-north" };

test.each([
  ["part-overdue", "north", "CareTeam/circuits-north"],
  ["part-overdue", "south", "CareTeam/circuits"],
  ["part-overdue", undefined, "CareTeam/circuits"],
  ["low-use", "north", "CareTeam/north"],
  ["low-use", "south", "CareTeam/all"],
  ["low-use", undefined, "CareTeam/all"],
])("%s of organisation %s goes to %s, in whatever order the routing is written", (rule, organizationId, owner) => {
  const routing = [all, north, circuits, circuitsNorth];
  expect(ownerFor(routing, rule, organizationId)).toBe(owner);
  expect(ownerFor(routing.toReversed(), rule, organizationId)).toBe(owner);
});

test("of two that fit alike the later wins", () => {
  expect(ownerFor([all, { owner: "Practitioner/p1" }], "low-use", "north")).toBe("Practitioner/p1");
});

test("nobody is asked where no rule fits", () => {
  expect(ownerFor([], "low-use", "north")).toBeUndefined();
  expect(ownerFor([circuitsNorth], "low-use", "north")).toBeUndefined();
  expect(ownerFor([north], "low-use", undefined)).toBeUndefined();
});
