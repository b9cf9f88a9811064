import type { Bundle, Communication, OperationOutcome, Patient, Resource, Task } from "@medplum/fhirtypes";

/** A hospital's worklist beside the service: what it asks and sends, and nothing it keeps but where it stands. */
export interface Worklist {
  /** The group's Tasks that changed since the last look, the earliest change first; all that are open at the first look. */
  look(): Promise<readonly WorklistItem[]>;
  /** Changes a Task as it was read. Where somebody was quicker it throws `Stale`: look again, and decide again. */
  change(task: Task, members: Readonly<Partial<Task>>): Promise<Task>;
  /** Writes a note beside the Task, under whose `partOf` everybody finds it. */
  note(task: Task, text: string): Promise<Communication>;
}

/** One line of the worklist. */
export interface WorklistItem {
  readonly task: Task;
  /** Whom it is about; absent for a Task about no person, such as one about an unknown device. */
  readonly patient?: Patient;
}

/** Somebody else changed the Task meanwhile. */
export class Stale extends Error {}

/** How the worklist reaches the service. */
export interface WorklistDoor {
  /** FHIR's base, without a slash at the end. */
  readonly fhirUrl: string;
  /** Asked before each request: a token lasts five minutes. */
  token(): Promise<string>;
  /** `Type/id` of the group whose Tasks are wanted. */
  readonly owner: string;
  readonly send?: typeof fetch;
}

const open = "requested,received,accepted,ready,in-progress,on-hold";

/** A worklist that has not looked yet. */
export function openWorklist({ fhirUrl, token, owner, send = fetch }: WorklistDoor): Worklist {
  let seen: string | undefined;

  async function ask<R extends Resource>(method: string, url: string, body?: unknown, headers = {}): Promise<R> {
    const type = method === "PATCH" ? "application/json-patch+json" : "application/fhir+json";
    const answer = await send(url, {
      method,
      headers: { authorization: `Bearer ${await token()}`, "content-type": type, ...headers },
      ...(body === undefined ? {} : { body: JSON.stringify(body) }),
    });
    const resource = (await answer.json()) as R;
    if (answer.status === 412) throw new Stale("Somebody else changed it meanwhile.");
    if (!answer.ok) throw new Error(`${answer.status}: ${wordsOf(resource)}`);
    return resource;
  }

  return {
    async look() {
      // `ge` and not `gt`: two changes may share a millisecond, and one that was seen already does no harm.
      const since = seen === undefined ? `status=${open}` : `_lastUpdated=ge${seen}`;
      const items: WorklistItem[] = [];
      let next: string | undefined =
        `${fhirUrl}/Task?owner=${owner}&${since}&_sort=_lastUpdated&_include=Task:patient&_count=100`;
      while (next !== undefined) {
        const page: Bundle = await ask<Bundle>("GET", next);
        items.push(...itemsOf(page));
        next = page.link?.find(({ relation }) => relation === "next")?.url;
      }
      seen = items.at(-1)?.task.meta?.lastUpdated ?? seen;
      return items;
    },
    change(task, members) {
      const patch = Object.entries(members).map(([name, value]) => ({ op: "add", path: `/${name}`, value }));
      const version = { "if-match": `W/"${task.meta?.versionId}"` };
      return ask<Task>("PATCH", `${fhirUrl}/Task/${task.id}`, patch, version);
    },
    note: (task, text) =>
      ask<Communication>("POST", `${fhirUrl}/Communication`, {
        resourceType: "Communication",
        status: "completed",
        partOf: [{ reference: `Task/${task.id}` }],
        ...(task.for === undefined ? {} : { subject: task.for }),
        sent: new Date().toISOString(),
        payload: [{ contentString: text }],
      }),
  };
}

function itemsOf({ entry = [] }: Bundle): WorklistItem[] {
  const resources = entry.flatMap(({ resource }) => resource ?? []);
  const patients = new Map<string, Patient>(
    resources.flatMap((one) => (one.resourceType === "Patient" ? [[`Patient/${one.id}`, one] as const] : [])),
  );
  return resources.flatMap((task): WorklistItem[] => {
    if (task.resourceType !== "Task") return [];
    const patient = patients.get(task.for?.reference ?? "");
    return [patient === undefined ? { task } : { task, patient }];
  });
}

function wordsOf(resource: Resource): string {
  const { issue = [] } = resource as Partial<OperationOutcome>;
  return issue.map(({ diagnostics }) => diagnostics ?? "").join(" ");
}

const pressing = ["stat", "asap", "urgent", "routine"];

/** The most pressing first, of equals the one that is due first. R4 cannot be asked for that: priority is a code. */
export function inOrder(items: readonly WorklistItem[]): WorklistItem[] {
  return [...items].sort((a, b) => rank(a.task) - rank(b.task) || (dueOf(a.task) < dueOf(b.task) ? -1 : 1));
}

/** The worklist as a page of text, a line for each Task. */
export function printed(items: readonly WorklistItem[]): string {
  const lines = inOrder(items).map(({ task, patient }) =>
    [
      (task.priority ?? "routine").padEnd(8),
      `due ${dueOf(task)}`,
      task.status.padEnd(11),
      nameOf(patient).padEnd(22),
      task.code?.coding?.[0]?.code ?? "",
    ].join("  "),
  );
  return lines.join("\n");
}

function rank({ priority }: Task): number {
  return pressing.indexOf(priority ?? "routine");
}

function dueOf({ restriction }: Task): string {
  return restriction?.period?.end?.slice(0, 10) ?? "–";
}

function nameOf(patient: Patient | undefined): string {
  const [name] = patient?.name ?? [];
  return name === undefined ? "nobody yet" : [...(name.given ?? []), name.family].join(" ");
}
