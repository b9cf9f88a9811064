/**
 * A small endpoint for Subscriptions, to try them out: says what arrives, whether its signature holds, what came twice and what
 * is missing.
 *
 *   NOTIFY_SECRET=<secret of the Subscription> npm run receive-notifications -- 9100
 */
import { createServer } from "node:http";
import { isGenuine, readNotification } from "./notification-check.ts";

const port = Number(process.argv[2] ?? 9_100);
const secret = process.env.NOTIFY_SECRET ?? "";
const most = 4_000_000;
let last = 0;

const say = (text: string) => process.stdout.write(`${text}\n`);

const server = createServer((request, reply) => {
  const chunks: Buffer[] = [];
  let size = 0;
  request.on("data", (chunk: Buffer) => {
    size += chunk.length;
    if (size > most) request.destroy();
    else chunks.push(chunk);
  });
  request.on("end", () => {
    const body = Buffer.concat(chunks).toString("utf8");
    const field = (name: string) => String(request.headers[name] ?? "");
    const arrived = { timestamp: field("x-tidegate-timestamp"), signature: field("x-tidegate-signature"), body };
    if (!isGenuine(arrived, secret, Date.now())) {
      say("refused: the signature does not hold, or it is old");
      reply.writeHead(401).end();
      return;
    }
    // First keep it, then answer: what was answered with 2xx does not come again.
    hear(body);
    reply.writeHead(204).end();
  });
});

function hear(body: string): void {
  const { kind, events } = readNotification(body);
  if (events.length === 0) say(kind);
  for (const { number, focus = "a resource that is not told" } of events) {
    if (number <= last) {
      say(`event ${number} again: ${focus}`);
      continue;
    }
    if (number > last + 1 && last > 0) say(`events ${last + 1} to ${number - 1} are missing: ask $events for them`);
    say(`event ${number}: ${focus}`);
    last = number;
  }
}

server.listen(port, "127.0.0.1", () => say(`listening at http://127.0.0.1:${port}/`));
