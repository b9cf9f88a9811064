import { once } from "node:events";
import { createServer } from "node:net";
import { afterAll, beforeAll, expect, test } from "vitest";
import { defaultNotificationSettings } from "../../src/flows/notification-settings.ts";
import { sender } from "../../src/notify/send-notification.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";

const settings = { ...defaultNotificationSettings, loopback: true, hosts: ["hooks.example.org"] };
let receiver: Receiver;

beforeAll(async () => {
  receiver = await startReceiver();
});
afterAll(() => receiver.close());

const sending = (url: string, timeoutMs = 300) => ({
  method: "POST" as const,
  url,
  headers: {},
  body: "{}",
  timeoutMs,
});

test("a name is asked for once, and the connection goes to the address that was looked at", async () => {
  // DNS rebinding: a second answer would lead elsewhere.
  const answers = [["127.0.0.1"], ["10.0.0.1"]];
  const url = receiver.url.replace("127.0.0.1", "localhost");
  expect(await sender(settings, async () => answers.shift() ?? [])(sending(url))).toBeUndefined();
  expect(answers).toHaveLength(1);
  expect(receiver.arrived.at(-1)).toMatchObject({ method: "POST", url: "/told", body: "{}" });
  expect(receiver.arrived.at(-1)?.headers.host).toMatch(/^localhost:/);
});

test("a name with a private address is told nowhere", async () => {
  const before = receiver.arrived.length;
  const said = await sender(settings, async () => ["10.0.0.1"])(sending("https://hooks.example.org/in"));
  expect(said).toBe("The endpoint's host has a private or reserved address.");
  expect(receiver.arrived).toHaveLength(before);
});

test("an endpoint that takes the request and says nothing is given up when its time is over", async () => {
  receiver.answer = () => undefined;
  expect(await sender(settings)(sending(receiver.url, 150))).toBe("The endpoint did not answer within 150 ms.");
  receiver.answer = () => 200;
});

test("a name server that is silent takes no longer than an endpoint may", async () => {
  const said = await sender(settings, () => new Promise(() => undefined))(sending("https://hooks.example.org/in", 150));
  expect(said).toBe("The endpoint did not answer within 150 ms.");
});

test("a connection that is cut before the answer is a failure, whatever the endpoint has read", async () => {
  const cutting = createServer((socket) => {
    socket.on("error", () => undefined);
    socket.once("data", () => socket.resetAndDestroy());
  }).listen(0, "127.0.0.1");
  await once(cutting, "listening");
  const { port } = cutting.address() as { port: number };
  const said = await sender(settings)(sending(`http://127.0.0.1:${port}/`));
  expect(said).toBe("The endpoint could not be reached (ECONNRESET).");
  cutting.close();
  await once(cutting, "close");
});

test("an answer without end is not read", async () => {
  const endless = createServer((socket) => {
    socket.on("error", () => undefined);
    socket.write("HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\n\r\n");
    const writing = setInterval(() => socket.write("x".repeat(65_536)), 1);
    socket.on("close", () => clearInterval(writing));
  }).listen(0, "127.0.0.1");
  await once(endless, "listening");
  const { port } = endless.address() as { port: number };
  expect(await sender(settings)(sending(`http://127.0.0.1:${port}/`, 2_000))).toBeUndefined();
  endless.close();
  await once(endless, "close");
});

test("one where nobody listens is told as such, in words that show no address", async () => {
  expect(await sender(settings)(sending("http://127.0.0.1:9/"))).toBe(
    "The endpoint could not be reached (ECONNREFUSED).",
  );
});
