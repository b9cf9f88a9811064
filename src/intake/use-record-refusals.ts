import type { z } from "zod";
import type { Refusal } from "../domain/result.ts";

const mostRefusals = 20;
const longestNameShown = 80;

/**
 * The findings of the schema as refusals, each with its place (`base` + path, such as `sessions[2].cycles[0].triggered`)
 * and what to do. Beyond twenty the rest are only counted: a record that wrong has one cause, not fifty.
 */
export function refusalsOf(error: z.ZodError, base: string): Refusal[] {
  const all = error.issues.flatMap((issue) => refusalsOfIssue(issue, placeOf(base, issue.path)));
  return fewOf(all, base);
}

/** The first twenty refusals, and one that counts the rest; `place` says where they all stand. */
export function fewOf(all: readonly Refusal[], place: string): Refusal[] {
  if (all.length <= mostRefusals) return [...all];
  const rest = `There are ${all.length - mostRefusals} more mistakes like these. Correct these first and send it again.`;
  const more: Refusal = { kind: "structure", detail: rest, ...(place === "" ? {} : { at: place }) };
  return [...all.slice(0, mostRefusals), more];
}

/** A name that the sender wrote, cut so that it cannot swell the answer, and without what cannot be stored. */
export function shown(name: string): string {
  const cut = name.length > longestNameShown ? `${name.slice(0, longestNameShown).toWellFormed()}…` : name;
  return cut.toWellFormed().replaceAll("\0", "\ufffd");
}

/** The refusal of an upload that holds more than `most` sessions. */
export function tooManySessions(most: number): Refusal {
  const detail = `An upload holds at most ${most} sessions. Send it in parts.`;
  return { kind: "too-long", detail, at: "sessions" };
}

function placeOf(base: string, path: readonly PropertyKey[]): string {
  return path.reduce<string>((place, part) => {
    if (typeof part === "number") return `${place}[${part}]`;
    return place === "" ? String(part) : `${place}.${String(part)}`;
  }, base);
}

function refusalsOfIssue(issue: z.core.$ZodIssue, place: string): Refusal[] {
  if (issue.code === "unrecognized_keys") {
    return issue.keys.map((key): Refusal => {
      const detail = `The format has no field "${shown(key)}". Leave it out, or correct its spelling.`;
      return { kind: "structure", detail, at: place === "" ? shown(key) : `${place}.${shown(key)}` };
    });
  }
  return [{ ...reasonOf(issue), ...(place === "" ? {} : { at: place }) }];
}

function reasonOf(issue: z.core.$ZodIssue): Pick<Refusal, "kind" | "detail"> {
  switch (issue.code) {
    case "invalid_type":
      // The schema does not hand on the value itself; its message ends with what stood there.
      if (/received undefined$/.test(issue.message)) {
        return { kind: "required", detail: "This field is required. Add it." };
      }
      return { kind: "value", detail: `${typeHint(issue.expected)} (${issue.message}).` };
    case "invalid_value":
      return { kind: "value", detail: `Send ${issue.values.map((value) => JSON.stringify(value)).join(" or ")}.` };
    case "too_big":
      return tooBig(issue);
    case "too_small":
      if (issue.origin === "string") {
        const detail = `Send at least ${issue.minimum} character(s), or leave the field out if it is optional.`;
        return { kind: "value", detail };
      }
      return { kind: "value", detail: `Send ${issue.minimum} or more.` };
    default:
      return { kind: "value", detail: `${issue.message}. Correct this field, or leave it out if it is optional.` };
  }
}

function tooBig(issue: z.core.$ZodIssueTooBig): Pick<Refusal, "kind" | "detail"> {
  if (issue.origin === "array") {
    return {
      kind: "too-long",
      detail: `This list may have ${issue.maximum} entries. Send the rest in another upload.`,
    };
  }
  if (issue.origin === "string") {
    return { kind: "too-long", detail: `Shorten this text to ${issue.maximum} characters.` };
  }
  return { kind: "value", detail: `Send ${issue.maximum} or less.` };
}

function typeHint(expected: string): string {
  if (expected === "number") {
    return "Send a finite number without quotes, or leave the field out if nothing was recorded";
  }
  if (expected === "int") return "Send a whole number";
  if (expected === "boolean") return "Send true or false without quotes";
  if (expected === "string") return "Send text in quotes";
  if (expected === "array") return "Send a list";
  return "Send an object with the fields of the format";
}
