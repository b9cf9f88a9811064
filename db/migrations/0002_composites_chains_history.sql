-- Composite search: which of several like elements (components) a value stands in. Rows stored before have neither until
-- `npm run rebuild`; until then a composite search finds too much of them and never too little.
ALTER TABLE "resource" ADD COLUMN "quantity_places" smallint[];--> statement-breakpoint
ALTER TABLE "resource" ADD COLUMN "place_terms" bigint[];--> statement-breakpoint
-- "What changed since …?": the replaced half of a history.
CREATE INDEX "resource_version_changed" ON "resource_version" USING btree ("tenant_id","type","last_updated","id","version");--> statement-breakpoint
-- The term under which a reference is indexed, for searches that follow one (chains, _has): the twin of
-- fhir/search/reference.ts referenceTerm, held to it by a test.
CREATE FUNCTION reference_term(key bigint, reference text) RETURNS bigint
LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
  SELECT ('x' || encode(substr(sha256(convert_to(key::text || E'\nreference\n' || reference, 'UTF8')), 1, 8), 'hex'))::bit(64)::bigint
$$;
--> statement-breakpoint
-- It neither fails nor prints its arguments, so row-level security may let it near an index; only a superuser may say so
-- (docs/decisions/0004-terms-under-row-level-security.md).
DO $$
BEGIN
  IF (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) THEN
    EXECUTE 'ALTER FUNCTION reference_term(bigint, text) LEAKPROOF';
  END IF;
END
$$;
