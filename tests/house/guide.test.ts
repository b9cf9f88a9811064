import { afterAll, beforeAll, expect, test } from "vitest";
import { loadDemo } from "../../seed/load.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { playGuide } from "../support/guide/calls.ts";
import { filledPage, placesOf, type Recorder, recorderAt } from "../support/guide/recorder.ts";
import { repositoryFile, sourceFiles } from "./source-tree.ts";

// The pages of docs/integration hold requests and answers of the demo as it stood on this day. `npm run guide` writes them anew.
const pages = sourceFiles("docs/integration", /\.md$/);
let here: TestApp;
let recorder: Recorder;

beforeAll(async () => {
  here = await testApp("2026-04-10T11:00:00Z");
  await loadDemo(here.service, here.tenantId, { today: "2026-04-10" });
  recorder = recorderAt(here);
  await playGuide(here, recorder);
}, 240_000);

afterAll(() => here.close());

test.each(pages.map(({ path }) => path))("%s shows what the service answers", async (path) => {
  const page = repositoryFile(path);
  await expect(filledPage(page, recorder.blocks)).toMatchFileSnapshot(`../../${path}`);
});

test("every call is shown on one page", () => {
  const shown = pages.flatMap(({ text }) => placesOf(text));
  expect(shown.sort()).toEqual([...recorder.blocks.keys()].sort());
});

test("a page with an answer of another day is caught, and so is a place that nobody fills", () => {
  const old = "<!-- call: no-token -->\nHTTP/1.1 200 OK\n<!-- end -->\n";
  expect(filledPage(old, recorder.blocks)).toContain("401 Unauthorized");
  expect(() => filledPage(old.replace("no-token", "gone"), recorder.blocks)).toThrow(/no call is named gone/);
});
