import { existsSync } from "node:fs";
import { defineConfig } from "vitest/config";

// Prepares the migrated template database that the store tests clone.
const globalSetup = ["tests/support/global-setup.ts"].filter((file) => existsSync(file));

export default defineConfig({
  test: {
    include: ["tests/**/*.test.ts"],
    globalSetup,
    setupFiles: process.env.FAST_CHECK_SEED ? ["tests/support/seeded-properties.ts"] : [],
    // A process of its own for each file: a test that breaks a global, or leaks a connection, breaks only itself.
    pool: "forks",
    maxWorkers: 2,
    testTimeout: 30_000,
    hookTimeout: 60_000,
    // The house tests plant breaches in copies of the repository; a watcher must not run on them.
    exclude: ["**/node_modules/**"],
  },
});
