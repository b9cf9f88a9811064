import { expect, test } from "vitest";
import { openDatabase } from "../../src/store/database.ts";
import { sharedKey } from "../../src/store/service-key.ts";
import { testDatabase } from "../support/database.ts";

test("whoever asks first makes the key, and all others get the same; another name has another", async () => {
  const { connectionString, drop } = await testDatabase();
  const database = openDatabase(connectionString);
  const keys = await Promise.all(Array.from({ length: 6 }, () => sharedKey(database, "page-links")));
  expect(new Set(keys.map((key) => key.toString("hex"))).size).toBe(1);
  expect(keys[0]).toHaveLength(32);
  expect((await sharedKey(database, "page-links")).equals(keys[0] ?? Buffer.alloc(0))).toBe(true);
  expect((await sharedKey(database, "other")).equals(keys[0] ?? Buffer.alloc(0))).toBe(false);
  await database.close();
  await drop();
});
