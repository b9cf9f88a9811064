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
