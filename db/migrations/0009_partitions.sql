-- What is dropped by age is partitioned by month, so that dropping is a matter of moments and leaves no dead rows: the audit
-- trail by when something was done, replaced versions by when they were replaced, contents of uploads by when they arrived.
-- Tables that were here before are not copied: each becomes the first partition, for everything up to the end of this month.
-- What that costs is one pass over the table and its keys built anew; readers and writers wait meanwhile.

-- Contents and what became of them part ways: the bytes stay where they lie, and the rest, which is small, moves out.
ALTER TABLE received_upload RENAME TO received_content_first;
--> statement-breakpoint
-- Whoever owns the tables is bound by their policies (FORCE), which show nothing without a tenant: for this transaction it is not.
ALTER TABLE received_content_first NO FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE audit_entry NO FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE received_content_first DROP CONSTRAINT received_upload_tenant_id_upload_id_pk;
--> statement-breakpoint
ALTER INDEX received_upload_status RENAME TO received_content_first_status;
--> statement-breakpoint
ALTER INDEX received_upload_device RENAME TO received_content_first_device;
--> statement-breakpoint
CREATE TABLE "received_upload" (
	"tenant_id" integer NOT NULL,
	"upload_id" text collate "C" NOT NULL,
	"received_at" timestamp with time zone NOT NULL,
	"last_tried_at" timestamp with time zone NOT NULL,
	"attempts" integer NOT NULL,
	"content_type" text collate "C" NOT NULL,
	"content_encoding" text collate "C" NOT NULL,
	"sha256" "bytea" NOT NULL,
	"size_bytes" integer NOT NULL,
	"status" text collate "C" NOT NULL,
	"reason" text collate "C",
	"device_identifier" text collate "C",
	"device_id" text collate "C",
	"report" jsonb NOT NULL
);
--> statement-breakpoint
-- The length of a long value stands beside its pointer: no content is read for this.
INSERT INTO received_upload (tenant_id, upload_id, received_at, last_tried_at, attempts, content_type, content_encoding, sha256,
  size_bytes, status, reason, device_identifier, device_id, report)
SELECT tenant_id, upload_id, received_at, last_tried_at, attempts, content_type, content_encoding, sha256,
  coalesce((report #>> '{contentRemoved,bytes}')::integer, octet_length(bytes)), status, reason, device_identifier, device_id, report
FROM received_content_first;
--> statement-breakpoint
ALTER TABLE received_upload ADD CONSTRAINT "received_upload_tenant_id_upload_id_pk" PRIMARY KEY("tenant_id","upload_id");
--> statement-breakpoint
CREATE INDEX "received_upload_status" ON "received_upload" USING btree ("tenant_id","status","received_at");
--> statement-breakpoint
CREATE INDEX "received_upload_device" ON "received_upload" USING btree ("tenant_id","device_identifier","reason");
--> statement-breakpoint
ALTER TABLE received_upload ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE received_upload FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON received_upload USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
-- Of what arrived the service changes what became of it, and never takes anything away.
GRANT SELECT, INSERT, UPDATE ON received_upload TO tidegate_service;
--> statement-breakpoint
DELETE FROM received_content_first WHERE report ? 'contentRemoved';
--> statement-breakpoint
ALTER TABLE received_content_first
  DROP COLUMN last_tried_at, DROP COLUMN attempts, DROP COLUMN content_type, DROP COLUMN content_encoding, DROP COLUMN sha256,
  DROP COLUMN status, DROP COLUMN reason, DROP COLUMN device_identifier, DROP COLUMN device_id, DROP COLUMN report;
--> statement-breakpoint
ALTER TABLE received_content_first RENAME COLUMN received_at TO filed_at;
--> statement-breakpoint
-- When a version was replaced stands in the next one; to look it up for all of them would write the table anew. Of those that are
-- here it is known that they were replaced before this moment, and that is what they say: whoever asks "was it in force then?"
-- looks at the next version as before, and whoever removes by whole months removes them later and never sooner.
ALTER TABLE resource_version ADD COLUMN replaced_at timestamp with time zone NOT NULL DEFAULT now();
--> statement-breakpoint
ALTER TABLE resource_version ALTER COLUMN replaced_at DROP DEFAULT;
--> statement-breakpoint
ALTER TABLE resource_version DROP CONSTRAINT resource_version_tenant_id_type_id_version_pk;
--> statement-breakpoint
ALTER TABLE audit_entry DROP CONSTRAINT audit_entry_tenant_id_sequence_pk;
--> statement-breakpoint
CREATE TABLE "audit_removal" (
	"tenant_id" integer NOT NULL,
	"sequence" bigint NOT NULL,
	"hash" "bytea" NOT NULL,
	"removed_at" timestamp with time zone NOT NULL,
	CONSTRAINT "audit_removal_tenant_id_sequence_pk" PRIMARY KEY("tenant_id","sequence")
);
--> statement-breakpoint
ALTER TABLE audit_removal ENABLE ROW LEVEL SECURITY;
--> statement-breakpoint
ALTER TABLE audit_removal FORCE ROW LEVEL SECURITY;
--> statement-breakpoint
CREATE POLICY tenant_only ON audit_removal USING (tenant_id = nullif(current_setting('tidegate.tenant', true), '')::integer);
--> statement-breakpoint
-- Only the tables' owner removes a beginning; the service reads where it went, to check the chain and to go on with it.
GRANT SELECT ON audit_removal TO tidegate_service;
--> statement-breakpoint
-- Partitions of a table by month, with their half-open ranges as PostgreSQL keeps them.
CREATE FUNCTION partitions_of(parent text) RETURNS TABLE (name text, starts timestamptz, ends timestamptz, is_default boolean)
LANGUAGE sql STABLE SET search_path FROM CURRENT AS $$
  SELECT c.relname::text,
    CASE WHEN b.bound LIKE '%FROM (MINVALUE)%' THEN '-infinity' ELSE substring(b.bound FROM $re$FROM \('([^']+)'\)$re$)::timestamptz END,
    CASE WHEN b.bound LIKE '%TO (MAXVALUE)%' THEN 'infinity' ELSE substring(b.bound FROM $re$TO \('([^']+)'\)$re$)::timestamptz END,
    b.bound = 'DEFAULT'
  FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid CROSS JOIN LATERAL (SELECT pg_get_expr(c.relpartbound, c.oid)) AS b(bound)
  WHERE i.inhparent = parent::regclass
$$;
--> statement-breakpoint
-- Nobody works on a partition but through its table, whose grants and policies hold then. Its own policy is for the owner, whom
-- it binds as well, and for whoever grants too much one day.
CREATE FUNCTION guard_partition(name text) RETURNS void LANGUAGE plpgsql SET search_path FROM CURRENT AS $$
BEGIN
  EXECUTE format('REVOKE ALL ON %I FROM tidegate_service', name);
  EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', name);
  EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', name);
  EXECUTE format(
    'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', name);
END
$$;
--> statement-breakpoint
-- The partition of one month, unless its days lie in one already. Rows of that month that went astray into the default partition
-- move in. The table is written and read meanwhile; only the default partition is locked, in which nobody has anything to do.
CREATE FUNCTION make_partition(parent text, month date) RETURNS boolean LANGUAGE plpgsql SET search_path FROM CURRENT AS $$
DECLARE
  first_day date := date_trunc('month', month::timestamp)::date;
  part text := parent || to_char(first_day, '_YYYY_MM');
  rest text := parent || '_default';
  from_time timestamptz := first_day::timestamp AT TIME ZONE 'UTC';
  end_time timestamptz := (first_day + interval '1 month') AT TIME ZONE 'UTC';
  key text;
  kept text;
BEGIN
  IF EXISTS (SELECT FROM partitions_of(parent) p WHERE p.starts <= from_time AND p.ends > from_time) THEN
    RETURN false;
  END IF;
  SELECT a.attname INTO key FROM pg_partitioned_table t JOIN pg_attribute a ON a.attrelid = t.partrelid AND a.attnum = t.partattrs[0]
  WHERE t.partrelid = parent::regclass;
  SELECT string_agg(quote_ident(a.attname), ', ' ORDER BY a.attnum) INTO kept FROM pg_attribute a
  WHERE a.attrelid = parent::regclass AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = '';
  EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING GENERATED INCLUDING STORAGE INCLUDING COMPRESSION)', part, parent);
  EXECUTE format('ALTER TABLE %I NO FORCE ROW LEVEL SECURITY', rest);
  EXECUTE format('WITH astray AS (DELETE FROM %1$I WHERE %2$I >= $1 AND %2$I < $2 RETURNING %3$s) INSERT INTO %4$I (%3$s) SELECT %3$s FROM astray',
    rest, key, kept, part) USING from_time, end_time;
  EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', rest);
  PERFORM guard_partition(part);
  EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', parent, part, from_time, end_time);
  RETURN true;
END
$$;
--> statement-breakpoint
-- Partitions of this month and of so many to come, for every table that has them; answers how many were made. One who comes at the
-- same time waits, and finds nothing to do. SECURITY DEFINER, so that the service's clock can ask for it: it names no table.
CREATE FUNCTION make_partitions(months_ahead integer DEFAULT 3) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT SET lock_timeout = '5s' AS $$
DECLARE
  parent text;
  made integer := 0;
BEGIN
  PERFORM pg_advisory_xact_lock(hashtextextended('partitions', 0));
  FOREACH parent IN ARRAY ARRAY['audit_entry', 'resource_version', 'received_content'] LOOP
    FOR month IN 0 .. least(months_ahead, 24) LOOP
      IF make_partition(parent, ((now() AT TIME ZONE 'UTC') + make_interval(months => month))::date) THEN
        made := made + 1;
      END IF;
    END LOOP;
  END LOOP;
  RETURN made;
END
$$;
--> statement-breakpoint
-- Rows in default partitions, which should have none: a clock that is years ahead, or months for which nobody made partitions.
CREATE FUNCTION rows_astray() RETURNS TABLE (parent text, astray bigint)
LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT AS $$
DECLARE
  before text := current_setting('tidegate.tenant', true);
  owner integer;
  found bigint;
BEGIN
  FOREACH parent IN ARRAY ARRAY['audit_entry', 'resource_version', 'received_content'] LOOP
    astray := 0;
    -- The policies bind whoever owns the tables too: so tenant by tenant, and those without any.
    FOR owner IN SELECT t.tenant_id FROM tenant t UNION ALL SELECT 0 LOOP
      PERFORM set_config('tidegate.tenant', owner::text, true);
      EXECUTE format('SELECT count(*) FROM %I WHERE tenant_id = $1', parent || '_default') INTO found USING owner;
      astray := astray + found;
    END LOOP;
    RETURN NEXT;
  END LOOP;
  PERFORM set_config('tidegate.tenant', coalesce(before, ''), true);
END
$$;
--> statement-breakpoint
DO $do$
DECLARE
  one record;
  rule record;
  upper_bound timestamptz;
  latest timestamptz;
BEGIN
  CREATE TEMPORARY TABLE rules ON COMMIT DROP AS
    SELECT p.tablename::text AS parent, p.* FROM pg_policies p
    WHERE p.schemaname = current_schema() AND p.tablename IN ('audit_entry', 'resource_version', 'received_content_first');
  UPDATE rules SET parent = 'received_content' WHERE parent = 'received_content_first';
  FOR one IN
    SELECT * FROM (VALUES ('audit_entry', 'at', 'tenant_id, sequence, at', 'audit_entry_tenant_id_sequence_at_pk'),
      ('resource_version', 'replaced_at', 'tenant_id, type, id, version, replaced_at', 'resource_version_tenant_id_type_id_version_replaced_at_pk'),
      ('received_content', 'filed_at', 'tenant_id, upload_id, filed_at', 'received_content_tenant_id_upload_id_filed_at_pk')
    ) AS v(parent, key, columns, key_name)
  LOOP
    IF one.parent <> 'received_content' THEN
      EXECUTE format('ALTER TABLE %I RENAME TO %I', one.parent, one.parent || '_first');
      FOR rule IN SELECT indexrelid::regclass::text AS name FROM pg_index WHERE indrelid = (one.parent || '_first')::regclass LOOP
        EXECUTE format('ALTER INDEX %I RENAME TO %I', rule.name, replace(rule.name, one.parent, one.parent || '_first'));
      END LOOP;
    END IF;
    EXECUTE format('CREATE TABLE %I (LIKE %I INCLUDING DEFAULTS INCLUDING GENERATED INCLUDING STORAGE INCLUDING COMPRESSION)
      PARTITION BY RANGE (%I)', one.parent, one.parent || '_first', one.key);
    -- PostgreSQL cuts a name at 63 bytes, here as it does for the generated migrations.
    EXECUTE format('ALTER TABLE %I ADD CONSTRAINT %I PRIMARY KEY (%s)', one.parent, one.key_name, one.columns);
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', one.parent);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', one.parent);
    FOR rule IN SELECT * FROM rules WHERE rules.parent = one.parent LOOP
      EXECUTE format('CREATE POLICY %I ON %I AS %s FOR %s USING (%s)', rule.policyname, one.parent, rule.permissive, rule.cmd, rule.qual);
      EXECUTE format('DROP POLICY %I ON %I', rule.policyname, one.parent || '_first');
    END LOOP;
    -- The service may add to these, and neither change nor take away.
    EXECUTE format('GRANT SELECT, INSERT ON %I TO tidegate_service', one.parent);
  END LOOP;
  CREATE INDEX "audit_entry_patients" ON "audit_entry" USING gin ("patient_ids");
  CREATE INDEX "audit_entry_client" ON "audit_entry" USING btree ("tenant_id","client_id","sequence");
  CREATE INDEX "resource_version_changed" ON "resource_version" USING btree ("tenant_id","type","last_updated","id","version");
  FOR one IN SELECT * FROM (VALUES ('audit_entry', 'at'), ('resource_version', 'replaced_at'), ('received_content', 'filed_at')) AS v(parent, key)
  LOOP
    EXECUTE format('SELECT max(%I) FROM %I', one.key, one.parent || '_first') INTO latest;
    upper_bound := (date_trunc('month', greatest(latest, now()) AT TIME ZONE 'UTC') + interval '1 month') AT TIME ZONE 'UTC';
    PERFORM guard_partition(one.parent || '_first');
    EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I FOR VALUES FROM (MINVALUE) TO (%L)', one.parent, one.parent || '_first', upper_bound);
    EXECUTE format('CREATE TABLE %I PARTITION OF %I DEFAULT', one.parent || '_default', one.parent);
    PERFORM guard_partition(one.parent || '_default');
  END LOOP;
END
$do$;
--> statement-breakpoint
-- Contents that are kept although their time is over, so that the months they came in can go.
CREATE TABLE received_content_kept PARTITION OF received_content FOR VALUES FROM ('infinity') TO (MAXVALUE);
--> statement-breakpoint
SELECT guard_partition('received_content_kept');
--> statement-breakpoint
SELECT make_partitions(3);
--> statement-breakpoint
REVOKE ALL ON FUNCTION partitions_of(text), guard_partition(text), make_partition(text, date), make_partitions(integer), rows_astray() FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION make_partitions(integer), rows_astray() TO tidegate_service;
--> statement-breakpoint
-- As before, but for a chain whose every row was removed with its month: it goes on from the last that went.
CREATE OR REPLACE FUNCTION append_audit(entries text[]) RETURNS bigint LANGUAGE plpgsql AS $$
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
  IF head IS NULL THEN
    SELECT r.sequence, r.hash INTO head, link FROM audit_removal r WHERE r.tenant_id = owner ORDER BY r.sequence DESC LIMIT 1;
  END IF;
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
