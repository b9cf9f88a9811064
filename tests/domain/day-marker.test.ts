import { expect, test } from "vitest";
import { dayMarkers } from "../../src/domain/day-marker.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const at = (iso: string) => Date.parse(iso);

function session(id: string, start: string, end: string): Session {
  return {
    sessionId: id,
    patientId: "p",
    deviceId: "d",
    startMs: at(start),
    endMs: at(end),
    deviceStart: start,
    localDay: start.slice(0, 10),
    readMs: at(end),
    recordDigest: "0".repeat(64),
  };
}

const picture: Picture = {
  patientId: "p",
  zone: "Europe/London",
  nowMs: at("2026-06-10T12:00:00Z"),
  today: "2026-06-10",
  tracheostomy: false,
  plans: [{ planId: "plan", status: "active", firstDay: "2026-06-01", holds: [], profiles: [] }],
  sessions: [
    session("a", "2026-06-03T08:00:00Z", "2026-06-03T08:20:00Z"),
    session("b", "2026-06-03T08:25:00Z", "2026-06-03T08:45:00Z"),
    session("c", "2026-06-04T08:00:00Z", "2026-06-04T08:30:00Z"),
  ],
  // 23:30 UTC in June is half past midnight of the next day in London.
  machineUses: [{ useId: "u", deviceId: "d", patientId: "p", startMs: at("2026-06-01T23:30:00Z") }],
  coverage: [],
  parts: [{ partId: "c1", kind: "circuit", fittedDay: "2026-06-02" }],
  contraindications: [
    {
      flagId: "f",
      code: "haemoptysis",
      title: "Haemoptysis",
      class: "absolute",
      active: true,
      startMs: at("2026-06-05T10:00:00Z"),
    },
  ],
  absences: [],
  infections: [],
  screenings: [],
  alerts: [],
  clockChecks: [],
  tasks: [],
  thresholds: defaultThresholds,
};

test("each event stands on its own local day", () => {
  const markers = dayMarkers(picture);
  expect(markers.get("2026-06-01")?.map((one) => one.kind)).toEqual(["plan-began"]);
  expect(markers.get("2026-06-02")?.map((one) => one.kind)).toEqual(["machine-handed-over", "part-fitted"]);
  expect(markers.get("2026-06-05")).toEqual([{ kind: "contraindication-began", text: "Haemoptysis" }]);
});

test("two sessions five minutes apart mark one sitting of 45 minutes; one of exactly 30 marks none", () => {
  const markers = dayMarkers(picture);
  expect(markers.get("2026-06-03")).toEqual([{ kind: "long-sitting", text: "A sitting of 45 minutes" }]);
  expect(markers.get("2026-06-04")).toBeUndefined();
});

test("what changes the course stands on its first and its first following day", () => {
  const markers = dayMarkers({
    ...picture,
    sessions: [],
    machineUses: [],
    parts: [],
    plans: [
      {
        planId: "plan",
        status: "active",
        firstDay: "2026-05-01",
        holds: [{ firstDay: "2026-05-10", endDay: "2026-05-12" }],
        profiles: [
          { profileId: "b", role: "usual", schedule: { kind: "when-needed" }, fromDay: "2026-05-20" },
          { profileId: "a", role: "usual", schedule: { kind: "when-needed" }, untilDay: "2026-05-20" },
        ],
      },
      { planId: "idea", status: "draft", firstDay: "2026-05-02", holds: [], profiles: [] },
      { planId: "never", status: "revoked", firstDay: "2026-05-03", endDay: "2026-05-03", holds: [], profiles: [] },
    ],
    contraindications: [],
    screenings: [{ responseId: "r", day: "2026-05-01" }],
    infections: [{ conditionId: "c", firstDay: "2026-05-15", endDay: "2026-05-25" }],
    absences: [{ sourceId: "e", kind: "hospital", firstDay: "2026-05-16", endDay: "2026-05-19" }],
    deceasedDay: "2026-06-09",
  });
  expect([...markers].map(([day, found]) => [day, found.map((one) => one.kind)]).sort()).toEqual([
    ["2026-05-01", ["plan-began", "screened"]],
    ["2026-05-10", ["plan-held"]],
    ["2026-05-12", ["plan-resumed"]],
    ["2026-05-15", ["infection-began"]],
    ["2026-05-16", ["absence-began"]],
    ["2026-05-19", ["absence-over"]],
    ["2026-05-20", ["settings-changed"]],
    ["2026-05-25", ["infection-over"]],
    ["2026-06-09", ["died"]],
  ]);
  expect(markers.get("2026-05-16")).toEqual([{ kind: "absence-began", text: "First day of a hospital stay" }]);
});

test("what has ended is marked on the local day on which it ended", () => {
  const [use] = picture.machineUses;
  const [flag] = picture.contraindications;
  if (use === undefined || flag === undefined) throw new Error("nothing to end");
  const markers = dayMarkers({
    ...picture,
    machineUses: [{ ...use, endMs: at("2026-06-07T23:30:00Z") }],
    contraindications: [{ ...flag, endMs: at("2026-06-07T10:00:00Z") }],
  });
  expect(markers.get("2026-06-07")).toEqual([{ kind: "contraindication-ended", text: "Haemoptysis" }]);
  expect(markers.get("2026-06-08")?.map((one) => one.kind)).toEqual(["machine-returned"]);
});
