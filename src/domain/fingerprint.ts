const PRIME_LOW = 0x1b3;

/**
 * 64-bit FNV-1a over the UTF-8 bytes of a text, as 16 hex digits; offset basis and prime of RFC 9923. It tells whether a
 * text has changed and withstands no attack. In two 32-bit halves because BigInt is some ten times slower.
 */
export function fingerprint(text: string): string {
  let high = 0xcbf29ce4;
  let low = 0x84222325;
  for (const byte of new TextEncoder().encode(text)) {
    const mixed = (low ^ byte) >>> 0;
    // The prime is 2^40 + 0x1b3, so the upper half also gets the lower half shifted by 40 - 32 bits.
    const product = mixed * PRIME_LOW;
    high = (Math.imul(high, PRIME_LOW) + Math.floor(product / 0x1_0000_0000) + (mixed << 8)) >>> 0;
    low = product >>> 0;
  }
  return high.toString(16).padStart(8, "0") + low.toString(16).padStart(8, "0");
}
