import type { FastifyInstance } from "fastify";
import type { Doors } from "./doors.ts";
import { refuseOtherMethods } from "./other-methods.ts";

/** Whether the process lives, and whether it can do its work. */
export async function healthRoutes(app: FastifyInstance, doors: Pick<Doors, "closing" | "isReady">): Promise<void> {
  app.get("/live", { schema: { hide: true } }, async () => ({ status: "live" }));
  app.get("/ready", { schema: { hide: true } }, async (_request, reply) => {
    const stays = doors.closing === undefined || doors.closing.stage === "open";
    const ready = stays && (await doors.isReady());
    return reply.code(ready ? 200 : 503).send({ status: ready ? "ready" : "not-ready" });
  });
  refuseOtherMethods(app, { "/live": ["GET"], "/ready": ["GET"] });
}
