/** Elements that rule txt-1 lists (https://hl7.org/fhir/R4/narrative-definitions.html#Narrative.div). */
export const narrativeElements: ReadonlySet<string> = new Set(
  (
    "a abbr acronym b big blockquote br caption cite code col colgroup dd dfn div dl dt em h1 h2 h3 h4 h5 h6 hr i img li " +
    "ol p pre q samp small span strong sub sup table tbody td tfoot th thead tr tt ul var"
  ).split(" "),
);

/** Attributes that rule txt-1 lists, `xmlns` aside, which is no attribute to XML. */
export const narrativeAttributes: ReadonlySet<string> = new Set(
  (
    "abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char charoff charset cite " +
    "class colspan compact coords dir frame headers height href hreflang hspace id lang longdesc name nowrap rel rev " +
    "rowspan rules scope shape span src start style summary tabindex title type valign value vspace width"
  ).split(" "),
);

/** Attributes of XML itself, which XHTML allows everywhere and the rule's expression does not speak of. */
const attributesOfXml: ReadonlySet<string> = new Set(["xml:lang", "xml:space"]);

const xhtmlNamespace = "http://www.w3.org/1999/xhtml";

// One token: a comment, a tag with its attributes, or text. Everything else is no XHTML.
const token =
  /<!--(?!-?>)(?:(?!--)[\s\S])*-->|<(\/?)([A-Za-z][\w:.-]*)((?:\s+[\w:.-]+\s*=\s*(?:"[^"<]*"|'[^'<]*'))*)\s*(\/?)>|[^<]+/y;
const attribute = /([\w:.-]+)\s*=\s*(?:"([^"]*)"|'([^']*)')/g;
const looseAmpersand = /&(?!(?:[A-Za-z][A-Za-z0-9]*|#\d+|#x[0-9A-Fa-f]+);)/;

/**
 * What is wrong with the XHTML of a Narrative by rules txt-1 and txt-2 (https://hl7.org/fhir/R4/narrative.html#xhtml):
 * one `div` of the XHTML namespace, well formed, basic formatting only, with some content. Undefined when nothing is.
 */
export function narrativeFault(div: string): string | undefined {
  const open: string[] = [];
  let hasContent = false;
  let closed = false;
  token.lastIndex = 0;
  const text = div.trim();
  while (token.lastIndex < text.length) {
    const at = token.lastIndex;
    const found = token.exec(text);
    if (found === null) return `This is not well-formed XHTML at character ${at + 1}: ${text.slice(at, at + 20)}`;
    const [whole, slash, name, attributes = "", selfClosing] = found;
    if (name === undefined) {
      if (whole.startsWith("<!--")) continue;
      if (open.length === 0) return "The narrative is one div element with everything inside.";
      if (looseAmpersand.test(whole)) return "An ampersand in XHTML is written &amp;.";
      hasContent ||= !/^(?:\s|&nbsp;|&#160;|&#xA0;)*$/i.test(whole);
      continue;
    }
    if (closed) return "The narrative is one div element with nothing behind it.";
    if (slash === "/") {
      if (open.pop() !== name) return `The end tag ${name} closes no element that is open.`;
      closed = open.length === 0;
      continue;
    }
    if (open.length === 0 && name !== "div") return `The root of a narrative is a div element, not ${name}.`;
    if (!narrativeElements.has(name)) return `txt-1: a narrative has no ${name} element, basic formatting only.`;
    const fault = attributesFault(attributes, open.length === 0);
    if (fault !== undefined) return fault;
    hasContent ||= name === "img" && /\ssrc\s*=/.test(attributes);
    if (selfClosing === "/") closed = open.length === 0;
    else open.push(name);
  }
  if (open.length > 0 || !closed) return `The element ${open.at(-1) ?? "div"} is not closed.`;
  return hasContent ? undefined : "txt-2: a narrative has some content that is not blank.";
}

function attributesFault(attributes: string, isRoot: boolean): string | undefined {
  const seen = new Set<string>();
  for (const [, name = "", double, single] of attributes.matchAll(attribute)) {
    const value = double ?? single ?? "";
    if (seen.has(name)) return `The attribute ${name} stands twice in one element.`;
    seen.add(name);
    if (name === "xmlns") {
      if (value !== xhtmlNamespace) return `The namespace of a narrative is ${xhtmlNamespace}.`;
      continue;
    }
    if (!narrativeAttributes.has(name) && !attributesOfXml.has(name)) {
      return `txt-1: a narrative has no ${name} attribute, basic formatting only.`;
    }
    if (looseAmpersand.test(value)) return "An ampersand in XHTML is written &amp;.";
    if ((name === "href" || name === "src") && isActive(value)) return "A link of a narrative runs no script.";
  }
  if (isRoot && !seen.has("xmlns")) return `The div of a narrative names its namespace: xmlns="${xhtmlNamespace}".`;
  return undefined;
}

/** Whether an address would run something where it is shown; browsers read past blanks, control characters and entities. */
function isActive(address: string): boolean {
  const plain = address
    .replace(/&#x([0-9a-f]+);?/gi, (_, hex: string) => characterOf(Number.parseInt(hex, 16)))
    .replace(/&#(\d+);?/g, (_, decimal: string) => characterOf(Number(decimal)))
    .replace(/&colon;/gi, ":")
    .replace(/&(?:tab|newline);/gi, "")
    // biome-ignore lint/suspicious/noControlCharactersInRegex: browsers skip them in the name of a scheme
    .replace(/[\u0000-\u0020]/g, "");
  return /^(?:javascript|vbscript):|^data:(?!image\/(?:png|gif|jpe?g|webp)[;,])/i.test(plain);
}

function characterOf(codePoint: number): string {
  return codePoint <= 0x10ffff ? String.fromCodePoint(codePoint) : "";
}
