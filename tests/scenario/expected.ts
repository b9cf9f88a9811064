/** What the story must come to on 10 April 2026, worked out by hand from its words; see each person's line. */
export interface Expected {
  /** `rule priority subject` of each open Task, sorted. */
  readonly tasks: readonly string[];
  /** Numerator / denominator / eligible of the 28 full days before, 13 March to 9 April. */
  readonly daysUsed: readonly [number, number, number];
  readonly sessionsCompleted: readonly [number, number, number];
}

const allDone = { daysUsed: [28, 28, 28], sessionsCompleted: [56, 56, 56] } as const;

/**
 * Two slots a day make 56 in 28 days unless said otherwise. The memory was last read yesterday at 21:45, so of yesterday
 * (-1) only what was done is known: what is missing there is unknown and not missed.
 */
export const expected: Readonly<Record<string, Expected>> = {
  // Evenings left out on days -18 and -4.
  "patient-steady": { tasks: [], daysUsed: [28, 28, 28], sessionsCompleted: [54, 56, 56] },
  // Days -28 to -15: 14 days with both. Then mornings of -14, -11, -8, -5, -2. Day -1 is unknown with its two slots.
  "patient-fading": {
    tasks: ["low-use routine therapy"],
    daysUsed: [14 + 5, 27, 28],
    sessionsCompleted: [28 + 5, 54, 56],
  },
  // Days -12 to -5 in hospital: 8 of 28 days ask for nothing. She is home for the evening of day -4, not for its morning.
  // Were the stay not known, the last 14 days would have 11 of 28 slots and read as low use.
  "patient-hospital-stay": { tasks: [], daysUsed: [20, 20, 20], sessionsCompleted: [39, 40, 40] },
  // The two extra sessions a day on profile B make up for nothing and add nothing.
  "patient-chest-infection": { tasks: [], ...allDone },
  // Three a day are 84; the 14 even days -28, -26, ... -2 have two.
  "patient-tracheostomy": { tasks: [], daysUsed: [28, 28, 28], sessionsCompleted: [84 - 14, 84, 84] },
  // Mornings left out on days -24, -17, -10 and -3.
  "patient-child": { tasks: [], daysUsed: [28, 28, 28], sessionsCompleted: [52, 56, 56] },
  // Four sessions on one evening are still one slot.
  "patient-long-sitting": { tasks: ["long-sitting routine therapy"], ...allDone },
  // 27 days with both; nothing on day -1, which is unknown.
  "patient-contraindicated": {
    tasks: [
      "plan-needs-hold urgent Flag/flag-contraindicated",
      "used-while-contraindicated urgent Flag/flag-contraindicated",
    ],
    daysUsed: [27, 27, 28],
    sessionsCompleted: [54, 54, 56],
  },
  // Held since day -20: days -28 to -21 are left.
  "patient-on-hold": { tasks: [], daysUsed: [8, 8, 8], sessionsCompleted: [16, 16, 16] },
  "patient-other-settings": { tasks: ["settings-differ routine therapy"], ...allDone },
  // Died on day -18: days -28 to -19 are left.
  "patient-died": { tasks: [], daysUsed: [10, 10, 10], sessionsCompleted: [20, 20, 20] },
  // Ended on day -25: days -28 to -26 are left.
  "patient-returned": { tasks: [], daysUsed: [3, 3, 3], sessionsCompleted: [6, 6, 6] },
  "patient-overdue-circuit": { tasks: ["part-overdue routine Device/part-overdue-circuit-circuit-1"], ...allDone },
  "patient-filter-due": { tasks: ["part-due routine Device/part-filter-due-bacterial-filter-3"], ...allDone },
  // Read up to the evening of day -22: seven days with both, the other 21 days unknown.
  "patient-silent": {
    tasks: ["no-recent-record routine therapy"],
    daysUsed: [7, 7, 28],
    sessionsCompleted: [14, 14, 56],
  },
  "patient-swapped-early": { tasks: [], ...allDone },
  "patient-swapped-late": { tasks: [], ...allDone },
  // The evening session of day -1 is at 01:20 of today, after the last reading.
  // Its clock is 180 minutes ahead at every reading.
  "patient-wrong-clock": {
    tasks: ["clock-drift routine Device/machine-tg-0018"],
    daysUsed: [28, 28, 28],
    sessionsCompleted: [55, 55, 56],
  },
  // A Condition since day -21, 21 full days and more than 14; the circuit fitted on day -20 has half a month, 15 days.
  "patient-long-infection": {
    tasks: [
      "infection-course routine Condition/condition-long-infection",
      "part-overdue routine Device/part-long-infection-circuit-4",
    ],
    ...allDone,
  },
  // Over since day -4: the circuit of before was to be replaced on that day. The course itself is information.
  "patient-after-infection": { tasks: ["part-overdue routine Device/part-after-infection-circuit-4"], ...allDone },
  "patient-mask-leak": { tasks: ["pressure-not-reached routine therapy"], ...allDone },
  "patient-weak-cough": { tasks: ["low-peak-cough-flow routine therapy"], ...allDone },
  "patient-low-saturation": { tasks: ["low-saturation routine therapy"], ...allDone },
  // Two a day are asked; every fourth day has one: days -25, -21, -17, -13, -9 of those before it rose; -5 and -1 have more.
  "patient-more-use": {
    tasks: ["use-rising routine therapy"],
    daysUsed: [28, 28, 28],
    sessionsCompleted: [51, 56, 56],
  },
  "patient-less-use": { tasks: ["use-falling routine therapy"], ...allDone },
  // On day -10 the morning is the old plan's, the evening the new one's.
  "patient-changed-plan": { tasks: [], ...allDone },
  "patient-service-due": { tasks: ["service-due routine Device/machine-tg-0028"], ...allDone },
  "patient-alerts": { tasks: ["device-alerts routine Device/machine-tg-0029"], ...allDone },
  // The plan ended on day -70: nothing is asked.
  "patient-idle-machine": {
    tasks: ["device-idle routine Device/machine-tg-0030"],
    daysUsed: [0, 0, 0],
    sessionsCompleted: [0, 0, 0],
  },
  "patient-unscreened": { tasks: ["screening-due routine therapy"], ...allDone },
  "patient-review-passed": { tasks: ["review-due routine CarePlan/plan-review-passed"], ...allDone },
  // Away on days -14 to -7: 8 of 28 days ask for nothing.
  "patient-holiday": { tasks: [], daysUsed: [20, 20, 20], sessionsCompleted: [40, 40, 40] },
  // Relative, and the plan says why it goes on: information only.
  "patient-overridden": { tasks: [], ...allDone },
  "patient-soiled-circuit": { tasks: ["part-overdue routine Device/part-soiled-circuit-circuit-4"], ...allDone },
  // No plan: nothing is asked.
  "patient-newcomer": { tasks: [], daysUsed: [0, 0, 0], sessionsCompleted: [0, 0, 0] },
};
