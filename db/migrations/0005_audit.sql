CREATE TABLE "audit_entry" (
	"tenant_id" integer NOT NULL,
	"sequence" bigint NOT NULL,
	"at" timestamp with time zone NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"action" text collate "C" NOT NULL,
	"kind" text collate "C" NOT NULL,
	"outcome" text collate "C" NOT NULL,
	"route" text collate "C" NOT NULL,
	"request_id" text collate "C" NOT NULL,
	"patient_ids" text[] collate "C" NOT NULL,
	"entities" text[] collate "C" NOT NULL,
	"body" text collate "C" NOT NULL,
	"previous_hash" "bytea" NOT NULL,
	"hash" "bytea" NOT NULL,
	CONSTRAINT "audit_entry_tenant_id_sequence_pk" PRIMARY KEY("tenant_id","sequence")
);
--> statement-breakpoint
CREATE TABLE "audit_pending" (
	"tenant_id" integer NOT NULL,
	"id" bigint GENERATED ALWAYS AS IDENTITY (sequence name "audit_pending_id_seq" INCREMENT BY 1 MINVALUE 1 MAXVALUE 9223372036854775807 START WITH 1 CACHE 1),
	"entry" text collate "C" NOT NULL,
	CONSTRAINT "audit_pending_tenant_id_id_pk" PRIMARY KEY("tenant_id","id")
);
--> statement-breakpoint
CREATE INDEX "audit_entry_patients" ON "audit_entry" USING gin ("patient_ids");--> statement-breakpoint
CREATE INDEX "audit_entry_client" ON "audit_entry" USING btree ("tenant_id","client_id","sequence");
--> statement-breakpoint
-- Tenant isolation as for all others; the service may read and add, and neither change nor take away.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['audit_entry', 'audit_pending']
  LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
    EXECUTE format(
      'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', t);
    EXECUTE format('GRANT SELECT, INSERT ON %I TO tidegate_service', t);
  END LOOP;
END
$$;
--> statement-breakpoint
-- Adds entries to the tenant's chain and answers the sequence of the last. Each is the JSON text of
-- [at, clientId, action, kind, outcome, route, requestId, patientIds, entities, body] (src/store/audit-row.ts), and its hash
-- is SHA-256 over the hash before it, the tenant, the sequence and this text. Whoever appends for the tenant waits for the
-- transaction before to end: a chain has one end.
CREATE FUNCTION append_audit(entries text[]) RETURNS bigint LANGUAGE plpgsql AS $$
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  head bigint;
  link bytea;
  links bytea[] := '{}';
BEGIN
  IF owner IS NULL THEN
    RAISE EXCEPTION 'no tenant is set' USING ERRCODE = 'insufficient_privilege';
  END IF;
  PERFORM pg_advisory_xact_lock(hashtextextended('audit', owner));
  SELECT a.sequence, a.hash INTO head, link FROM audit_entry a WHERE a.tenant_id = owner ORDER BY a.sequence DESC LIMIT 1;
  head := coalesce(head, 0);
  link := coalesce(link, '');
  links := links || link;
  FOR i IN 1 .. cardinality(entries) LOOP
    link := sha256(link || convert_to(owner || ':' || (head + i) || ':' || entries[i], 'UTF8'));
    links := links || link;
  END LOOP;
  INSERT INTO audit_entry (tenant_id, sequence, at, client_id, action, kind, outcome, route, request_id, patient_ids,
    entities, body, previous_hash, hash)
  SELECT owner, head + n, timestamptz 'epoch' + (e ->> 0)::bigint * interval '1 millisecond', e ->> 1, e ->> 2, e ->> 3,
    e ->> 4, e ->> 5, e ->> 6, ARRAY(SELECT json_array_elements_text(e -> 7)), ARRAY(SELECT json_array_elements_text(e -> 8)),
    e ->> 9, links[n], links[n + 1]
  FROM (SELECT t::json AS e, o AS n FROM unnest(entries) WITH ORDINALITY AS u(t, o)) AS given;
  RETURN head + cardinality(entries);
END
$$;
--> statement-breakpoint
-- Chains what writers have noted, ten thousand at most, and answers how many. SECURITY DEFINER, so that nobody else can take a
-- note away; the tenant is the one of the session, never an argument.
CREATE FUNCTION seal_audit() RETURNS integer LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT AS $$
DECLARE
  owner integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  waiting text[];
BEGIN
  PERFORM pg_advisory_xact_lock(hashtextextended('audit', owner));
  WITH oldest AS (
    SELECT p.id FROM audit_pending p WHERE p.tenant_id = owner ORDER BY p.id LIMIT 10000
  ), taken AS (
    DELETE FROM audit_pending p USING oldest WHERE p.tenant_id = owner AND p.id = oldest.id RETURNING p.id, p.entry
  )
  SELECT array_agg(t.entry ORDER BY t.id) INTO waiting FROM taken t;
  IF waiting IS NULL THEN
    RETURN 0;
  END IF;
  PERFORM append_audit(waiting);
  RETURN cardinality(waiting);
END
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION append_audit(text[]), seal_audit() FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION append_audit(text[]), seal_audit() TO tidegate_service;
