import type { Doors } from "../../src/http/doors.ts";

/** A trail that keeps nothing, for tests of other things. */
export const quietTrail: Doors["trail"] = { add: async () => undefined, touch: () => undefined };
