import { describe, expect, test } from "vitest";
import { repositoryFile } from "./source-tree.ts";

// npm puts the installed packages' own `node` first on the path, so the host may have any Node that npm runs on.
test("the tests run under the Node that package.json installs, whatever the host has", () => {
  const { devDependencies } = JSON.parse(repositoryFile("package.json"));
  const installed = JSON.parse(repositoryFile("node_modules/node/package.json"));
  expect(process.version).toBe(`v${installed.version}`);
  expect(devDependencies.node).toMatch(/^\^26\./);
  expect(process.versions.node.split(".")[0]).toBe("26");
});

interface Lockfile {
  readonly packages: Record<string, { readonly resolved?: string; readonly hasInstallScript?: boolean }>;
}

/** Packages of the lockfile that say from which host they were fetched: a clone elsewhere may not reach that host. */
function hostedPackages(lockfile: Lockfile): string[] {
  return Object.entries(lockfile.packages).flatMap(([path, { resolved }]) => (resolved === undefined ? [] : [path]));
}

/** Packages whose install script is neither allowed nor denied: npm warns of these, and may one day skip them. */
function undecidedScripts(lockfile: Lockfile, allowScripts: Record<string, boolean>): string[] {
  return Object.entries(lockfile.packages)
    .filter(([, { hasInstallScript }]) => hasInstallScript === true)
    .map(([path]) => path.slice(path.lastIndexOf("node_modules/") + "node_modules/".length))
    .filter((name) => allowScripts[name] === undefined);
}

describe("a clean clone installs anywhere, and quietly", () => {
  const lockfile: Lockfile = JSON.parse(repositoryFile("package-lock.json"));
  const { allowScripts } = JSON.parse(repositoryFile("package.json"));

  test("the lockfile names no registry host", () => {
    expect(Object.keys(lockfile.packages).length).toBeGreaterThan(100);
    expect(hostedPackages(lockfile)).toEqual([]);
  });

  test("every install script is allowed or denied by name", () => {
    expect(undecidedScripts(lockfile, allowScripts)).toEqual([]);
  });

  test("a planted host and a planted install script are caught", () => {
    const planted: Lockfile = {
      packages: {
        "node_modules/a": { resolved: "https://registry.example/a.tgz" },
        "node_modules/a/node_modules/@b/c": { hasInstallScript: true },
      },
    };
    expect(hostedPackages(planted)).toEqual(["node_modules/a"]);
    expect(undecidedScripts(planted, { a: true })).toEqual(["@b/c"]);
    expect(undecidedScripts(planted, { "@b/c": false })).toEqual([]);
  });
});
