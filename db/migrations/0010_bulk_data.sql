CREATE TABLE "bulk_chunk" (
	"tenant_id" integer NOT NULL,
	"job_id" text collate "C" NOT NULL,
	"attempt" integer NOT NULL,
	"name" text collate "C" NOT NULL,
	"first_byte" bigint NOT NULL,
	"bytes" integer NOT NULL,
	"packed" "bytea" NOT NULL,
	CONSTRAINT "bulk_chunk_tenant_id_job_id_attempt_name_first_byte_pk" PRIMARY KEY("tenant_id","job_id","attempt","name","first_byte")
);
--> statement-breakpoint
CREATE TABLE "bulk_file" (
	"tenant_id" integer NOT NULL,
	"job_id" text collate "C" NOT NULL,
	"attempt" integer NOT NULL,
	"name" text collate "C" NOT NULL,
	"role" text collate "C" NOT NULL,
	"type" text collate "C" NOT NULL,
	"lines" bigint NOT NULL,
	"bytes" bigint NOT NULL,
	"crc32" bigint NOT NULL,
	CONSTRAINT "bulk_file_tenant_id_job_id_attempt_name_pk" PRIMARY KEY("tenant_id","job_id","attempt","name")
);
--> statement-breakpoint
CREATE TABLE "bulk_job" (
	"tenant_id" integer NOT NULL,
	"job_id" text collate "C" NOT NULL,
	"kind" text collate "C" NOT NULL,
	"client_id" text collate "C" NOT NULL,
	"client_name" text collate "C",
	"state" text collate "C" NOT NULL,
	"request_url" text collate "C" NOT NULL,
	"asked" text NOT NULL,
	"confinement" text NOT NULL,
	"scopes" text NOT NULL,
	"asked_at" timestamp with time zone NOT NULL,
	"heartbeat_at" timestamp with time zone NOT NULL,
	"polled_at" timestamp with time zone,
	"attempt" integer DEFAULT 0 NOT NULL,
	"progress" text DEFAULT '' NOT NULL,
	"place" text,
	"transaction_time" timestamp with time zone,
	"finished_at" timestamp with time zone,
	"expires_at" timestamp with time zone,
	"reason" text,
	CONSTRAINT "bulk_job_tenant_id_job_id_pk" PRIMARY KEY("tenant_id","job_id")
);
--> statement-breakpoint
-- Tenant isolation as for all others. Besides, nothing of a job shows to whoever has not said for which client they look: an
-- export holds what that client may see, and no other client of the tenant. `*` is the service's own work.
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['bulk_job', 'bulk_file', 'bulk_chunk']
  LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
    EXECUTE format(
      'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', t);
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO tidegate_service', t);
  END LOOP;
  CREATE POLICY asker ON bulk_job AS RESTRICTIVE FOR SELECT USING (
    (SELECT current_setting('tidegate.bulk_client', true)) = '*'
    OR client_id = (SELECT current_setting('tidegate.bulk_client', true)));
  FOREACH t IN ARRAY ARRAY['bulk_file', 'bulk_chunk']
  LOOP
    EXECUTE format('CREATE POLICY asker ON %1$I AS RESTRICTIVE FOR SELECT USING (
      (SELECT current_setting(''tidegate.bulk_client'', true)) = ''*''
      OR EXISTS (SELECT FROM bulk_job j WHERE j.tenant_id = %1$I.tenant_id AND j.job_id = %1$I.job_id))', t);
  END LOOP;
END
$$;
--> statement-breakpoint
ALTER TABLE bulk_job
  ADD CONSTRAINT bulk_job_kind CHECK (kind IN ('export', 'import')),
  ADD CONSTRAINT bulk_job_state CHECK (state IN ('receiving', 'waiting', 'running', 'done', 'failed')),
  ADD CONSTRAINT bulk_job_finished CHECK ((finished_at IS NOT NULL) = (state IN ('done', 'failed'))),
  ADD CONSTRAINT bulk_job_reason CHECK ((reason IS NOT NULL) = (state = 'failed'));
--> statement-breakpoint
ALTER TABLE bulk_file
  ADD CONSTRAINT bulk_file_role CHECK (role IN ('output', 'deleted', 'error', 'refused', 'source', 'later'));
--> statement-breakpoint
-- The pieces are packed already: a second try costs time and gains nothing.
ALTER TABLE bulk_chunk ALTER COLUMN packed SET STORAGE EXTERNAL;
--> statement-breakpoint
-- Queues the work on an export or import in the caller's transaction, to begin in so many seconds. SECURITY DEFINER, so that the
-- service needs no rights on the job tables; the tenant is the one of the session, never an argument. A job that is held by a
-- worker gets a successor, so a worker that died holds nobody up.
CREATE FUNCTION queue_bulk(bulk_job_id text, after_seconds integer) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'run-bulk', json_build_object('tenantId', t, 'jobId', bulk_job_id),
    run_at => now() + make_interval(secs => after_seconds), job_key => 'bulk:' || t || ':' || bulk_job_id)
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION queue_bulk(text, integer) FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION queue_bulk(text, integer) TO tidegate_service;
