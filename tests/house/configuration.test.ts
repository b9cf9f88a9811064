import { expect, test } from "vitest";
import { configVariables } from "../../src/config.ts";
import { repositoryFile, sourceFiles } from "./source-tree.ts";
import { environmentReaders, setByCompose, unnamedIn } from "./variables.ts";

const compose = repositoryFile("docker-compose.yml");

test("every variable that the configuration reads is explained in the README", () => {
  expect(configVariables.length).toBeGreaterThan(0);
  expect(unnamedIn(repositoryFile("README.md"), configVariables)).toEqual([]);
});

test("every variable that the configuration reads stands in docker-compose.yml, set or as a comment", () => {
  expect(configVariables.length).toBeGreaterThan(0);
  expect(unnamedIn(compose, configVariables)).toEqual([]);
});

test("docker-compose.yml sets no variable that nobody reads", () => {
  const set = setByCompose(compose);
  expect(set).toContain("DATABASE_URL");
  expect(set.filter((name) => !configVariables.includes(name))).toEqual([]);
});

test("nobody but the configuration reads the environment", () => {
  const readers = environmentReaders(sourceFiles("src", /\.ts$/));
  // The programs of the embedded server are found on the machine's search path, which is no setting of ours.
  expect(readers).toEqual(["src/config.ts", "src/store/postgres-programs.ts"]);
});
