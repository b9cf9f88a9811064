/** A process of its own that asks for one token when it is told to: `node issue-in-process.ts <database> <assertion> <now>`. */
import { once } from "node:events";
import { clientKeys } from "../../src/flows/client-keys.ts";
import { assertionType, issueAccessToken } from "../../src/flows/issue-token.ts";
import type { Service } from "../../src/flows/service.ts";
import { openDatabase } from "../../src/store/database.ts";
import { tokenDoor } from "./token-door.ts";

const [url = "", assertion = "", nowMs = ""] = process.argv.slice(2);
const database = openDatabase(url);
const now = () => Number(nowMs);
// All that the flow asks of the service.
const service = { database, now } as Service;
await database.pool.query("select 1");
process.stdout.write("ready\n");
await once(process.stdin, "data");
const asked = { grantType: "client_credentials", scope: "system/Patient.rs", assertionType, assertion };
const login = { route: "/auth/token", requestId: "r", address: "127.0.0.1" };
const answer = await issueAccessToken(service, clientKeys(now), asked, [tokenDoor], login);
process.stdout.write(`${answer.ok ? "token" : answer.refusal.description}\n`);
await database.close();
process.exit(0);
