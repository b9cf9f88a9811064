import swagger from "@fastify/swagger";
import swaggerUi from "@fastify/swagger-ui";
import Fastify, { type FastifyBaseLogger, type FastifyInstance, LogController } from "fastify";
import { jsonSchemaTransform, serializerCompiler, validatorCompiler } from "fastify-type-provider-zod";
import { bulkRoutes } from "./http/bulk-routes.ts";
import { tellOfClosing } from "./http/closing.ts";
import { dashboardRoutes } from "./http/dashboard-routes.ts";
import { cautions, type Doors } from "./http/doors.ts";
import { guardEdge } from "./http/edge.ts";
import { answerBrokenRequest, answerError, answerErrors } from "./http/errors.ts";
import { fhirRoutes } from "./http/fhir-routes.ts";
import { healthRoutes } from "./http/health-routes.ts";
import { messageRoutes } from "./http/message-routes.ts";
import { completed } from "./http/openapi.ts";
import { requireHost } from "./http/origin.ts";
import { serverOptions } from "./http/server-options.ts";
import { tokenRoutes } from "./http/token-routes.ts";
import { uploadRoutes } from "./http/upload-routes.ts";

const requestId = /^[A-Za-z0-9._:-]{1,64}$/;

/** Builds the app with all its doors; it never listens. */
export async function buildApp(doors: Doors, log?: FastifyBaseLogger): Promise<FastifyInstance> {
  const app = Fastify({
    ...(log === undefined ? { logger: false } : { loggerInstance: log }),
    bodyLimit: doors.maxBodyBytes,
    routerOptions: { maxParamLength: 200 },
    ...serverOptions(doors.edge),
    logController: new LogController({ disableRequestLogging: true }),
    forceCloseConnections: "idle",
    return503OnClosing: true,
    frameworkErrors: (error, request, reply) => void answerError(error, request, reply),
    clientErrorHandler: answerBrokenRequest,
    genReqId: (request) => {
      const given = request.headers["x-request-id"];
      return typeof given === "string" && requestId.test(given) ? given : doors.service.newId();
    },
  });
  app.setValidatorCompiler(validatorCompiler);
  app.setSerializerCompiler(serializerCompiler);
  answerErrors(app);
  app.decorateRequest("refusedAs");
  app.decorateRequest("traceparent");
  doors.watch?.(app);
  if (doors.closing !== undefined) tellOfClosing(app, doors.closing);
  await guardEdge(app, doors);
  app.addHook("onRequest", async (request) => requireHost(request));
  app.addHook("onSend", async (request, reply) => {
    reply.header("X-Request-Id", request.id);
  });
  // The route as it was declared, never the address itself: addresses hold names and identifiers.
  app.addHook("onResponse", async (request, reply) => {
    request.log.info(
      {
        route: request.routeOptions.url,
        method: request.method,
        status: reply.statusCode,
        ms: Math.round(reply.elapsedTime),
      },
      "answered",
    );
  });
  await describe(app, doors);
  await app.register((fhir) => fhirRoutes(fhir, doors), { prefix: "/fhir" });
  await app.register((bulk) => bulkRoutes(bulk, doors), { prefix: "/fhir" });
  await app.register((api) => uploadRoutes(api, doors), { prefix: "/api/v1" });
  await app.register((api) => messageRoutes(api, doors), { prefix: "/api/v1" });
  await app.register((api) => dashboardRoutes(api, doors), { prefix: "/api/v1" });
  await app.register((auth) => tokenRoutes(auth, doors), { prefix: "/auth" });
  await app.register((health) => healthRoutes(health, doors), { prefix: "/health" });
  await app.ready();
  return app;
}

/** The only door of a process that works in the background: whether it lives, and whether it can do its work. */
export async function buildWorkerDoor(
  doors: Pick<Doors, "closing" | "edge" | "isReady" | "watch">,
  log?: FastifyBaseLogger,
): Promise<FastifyInstance> {
  const app = Fastify({
    ...(log === undefined ? { logger: false } : { loggerInstance: log }),
    ...serverOptions(doors.edge),
    logController: new LogController({ disableRequestLogging: true }),
    forceCloseConnections: "idle",
    frameworkErrors: (error, request, reply) => void answerError(error, request, reply),
    clientErrorHandler: answerBrokenRequest,
  });
  answerErrors(app);
  app.decorateRequest("refusedAs");
  app.decorateRequest("traceparent");
  doors.watch?.(app);
  await guardEdge(app, doors);
  await app.register((health) => healthRoutes(health, doors), { prefix: "/health" });
  await app.ready();
  return app;
}

async function describe(app: FastifyInstance, doors: Doors): Promise<void> {
  await app.register(swagger, {
    openapi: {
      openapi: "3.1.0",
      info: {
        title: "Tidegate",
        version: doors.softwareVersion,
        description: `Use records of assisted cough at home, in and out. FHIR R4 is served under /fhir and describes itself at /fhir/metadata. ${cautions}`,
      },
      components: { securitySchemes: { token: { type: "http", scheme: "bearer" } } },
      security: [{ token: [] }],
    },
    transform: jsonSchemaTransform,
    transformObject: (described) =>
      completed("openapiObject" in described ? { ...described.openapiObject } : {}) as never,
  });
  await app.register(swaggerUi, {
    routePrefix: "/docs",
    staticCSP: true,
    // The service may speak plain HTTP, and its page asks no one else about it.
    transformStaticCSP: (policy) => policy.replace(/ ?(upgrade-insecure-requests;|validator\.swagger\.io)/g, ""),
    uiConfig: { validatorUrl: null },
  });
}

/** The OpenAPI description of the doors as they are now, as it is committed: JSON text with a line break at its end. */
export async function freshOpenApi(softwareVersion: string): Promise<string> {
  const app = await buildApp({
    // Describing asks none of the doors anything, so they may stand before an empty house.
    service: { newId: () => "" } as unknown as Doors["service"],
    tokens: new Map(),
    trail: { add: async () => undefined, touch: () => undefined },
    cursors: { write: () => "", read: () => undefined },
    maxBodyBytes: 1_024,
    softwareVersion,
    startedIso: "",
    isReady: async () => false,
  });
  const text = `${JSON.stringify(app.swagger(), null, 2)}\n`;
  await app.close();
  return text;
}
