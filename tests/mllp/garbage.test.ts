import fc from "fast-check";
import { afterAll, beforeAll, expect, test } from "vitest";
import { framed } from "../../src/mllp/frames.ts";
import { adt, answered, mrn, pid } from "../support/messages.ts";
import { rawSender, type TestListener, testListener } from "../support/mllp.ts";
import { type TestService, testService } from "../support/service.ts";

let made: TestService;
let listener: TestListener;

beforeAll(async () => {
  made = await testService("2026-06-10T12:00:00Z");
  listener = await testListener(made);
});
afterAll(async () => {
  await listener.close();
  await made.close();
});

const whole = Buffer.from(
  adt("A31", "X", "20260610100000", pid({ 3: mrn("9"), 5: "Harker^Ada", 7: "19710304", 11: "1 Mill Lane^^Moor" })),
);

/** A message with some of its bytes exchanged for others, or no message at all. */
const spoiled = fc.oneof(
  fc.uint8Array({ maxLength: 200 }),
  fc
    .array(fc.tuple(fc.nat({ max: whole.length - 1 }), fc.integer({ min: 0, max: 255 })), { maxLength: 8 })
    .map((changes) => {
      const bytes = Buffer.from(whole);
      for (const [at, byte] of changes) bytes[at] = byte;
      return new Uint8Array(bytes);
    }),
);

test("whatever bytes come in a frame, they are answered or the connection is closed, and the next sender is served", async () => {
  await fc.assert(
    fc.asyncProperty(spoiled, async (bytes) => {
      const sender = await rawSender(listener.port);
      sender.write(framed(bytes));
      // What follows a frame that was none tells that the connection is still in step, or it is closed.
      sender.socket.end();
      const answer = await sender.next();
      if (answer !== undefined) expect(answered(answer).code).toMatch(/^[AC][AER]$/);
      await sender.closed;
    }),
    { numRuns: 150 },
  );
  const sender = await rawSender(listener.port);
  sender.write(framed(whole));
  expect(answered(await sender.next()).code).toMatch(/^A[AE]$/);
  sender.socket.destroy();
});
