/**
 * A hospital's worklist in a page, against the running demo (`npm start` in another terminal): it looks for its group's
 * Tasks, prints them, takes up the most pressing that nobody has, writes a note, completes it, and looks again for what changed.
 *
 *   npm run worklist-example
 */
import { readConfig } from "../src/config.ts";
import { demoFhirUrl, demoTokenFor } from "./demo-token.ts";
import { careTeamId } from "./scenario/service.ts";
import { inOrder, openWorklist, printed, Stale, type WorklistItem } from "./worklist.ts";

const dataFolder = readConfig().DATA_DIR;
const scope = "system/Task.rus system/Communication.crus system/Patient.rs";
const say = (text: string) => void process.stdout.write(`${text}\n`);

async function play(): Promise<void> {
  const worklist = openWorklist({
    fhirUrl: await demoFhirUrl(dataFolder),
    token: () => demoTokenFor(dataFolder, "worklist", scope),
    owner: `CareTeam/${careTeamId}`,
  });
  const items = await worklist.look();
  say(`${items.length} open Tasks of the team:\n\n${printed(items)}\n`);
  const [first] = inOrder(items).filter(({ task }) => task.status === "requested");
  if (first === undefined) return say("Nobody waits: every Task has been taken up.");
  await workOn(first);
  say(`Changed since the first look:\n\n${printed(await worklist.look())}`);

  async function workOn({ task }: WorklistItem): Promise<void> {
    try {
      const mine = await worklist.change(task, { status: "accepted" });
      await worklist.note(mine, "Rang: will look at it together at the visit on Thursday.");
      const begun = await worklist.change(mine, { status: "in-progress" });
      await worklist.change(begun, { status: "completed", statusReason: { text: "Looked at together." } });
      say(`Took up, noted and completed Task/${task.id}: ${task.description?.split(". ")[0]}.\n`);
    } catch (error) {
      if (!(error instanceof Stale)) throw error;
      say("Somebody was quicker; a worklist looks again now.");
    }
  }
}

await play().catch((error: Error) => {
  process.stderr.write(`${error.message}\nIs the demo running? npm start\n`);
  process.exitCode = 1;
});
