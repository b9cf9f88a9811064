import fc from "fast-check";

/**
 * Draws the cases of every property from FAST_CHECK_SEED, where it is set: what is judged then depends on the change and not on the draw.
 * Without it each run draws anew, and a failure prints the seed that finds it again.
 */
const seed = Number(process.env.FAST_CHECK_SEED);
if (!Number.isSafeInteger(seed)) throw new Error("FAST_CHECK_SEED must be a whole number");
fc.configureGlobal({ ...fc.readConfigureGlobal(), seed });
