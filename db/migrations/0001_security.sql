-- Tenant isolation and least privilege. The service works as `tidegate_service`, which owns nothing, cannot log in and
-- cannot bypass row-level security; whoever runs the migrations owns the tables and is bound by the policies as well (FORCE).
DO $$
BEGIN
  CREATE ROLE tidegate_service NOLOGIN NOSUPERUSER NOBYPASSRLS;
EXCEPTION
  -- Roles belong to the cluster: another database of it may have made this one, perhaps at this very moment.
  WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;
--> statement-breakpoint
DO $$
BEGIN
  EXECUTE format('GRANT tidegate_service TO %I', current_user);
EXCEPTION
  WHEN unique_violation OR SQLSTATE 'XX000' THEN NULL; -- granted by a migration of a sister database at the same moment
END
$$;
--> statement-breakpoint
DO $$
DECLARE
  t text;
BEGIN
  EXECUTE format('GRANT USAGE ON SCHEMA %I TO tidegate_service', current_schema());
  FOR t IN
    SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'tenant_id'
    WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind = 'r' AND c.relname <> 'tenant'
  LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
    -- An unset tenant reads as NULL and matches no row.
    EXECUTE format(
      'CREATE POLICY tenant_only ON %I USING (tenant_id = nullif(current_setting(''tidegate.tenant'', true), '''')::integer)', t);
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO tidegate_service', t);
  END LOOP;
END
$$;
--> statement-breakpoint
-- What arrived and what was replaced stays: the service may add to these, and never take away.
REVOKE DELETE ON received_upload, resource_version FROM tidegate_service;
--> statement-breakpoint
REVOKE UPDATE ON resource_version FROM tidegate_service;
--> statement-breakpoint
GRANT SELECT, INSERT ON tenant TO tidegate_service;
--> statement-breakpoint
-- Row-level security lets only leak-proof operators near an index. `&&` on bigint[] is one in fact (it neither fails nor
-- prints its arguments) but is not marked so; without the mark every term search reads all of a tenant's rows of the type.
-- Only a superuser may mark it: elsewhere the answers are the same and slower (docs/decisions/0004-terms-under-row-level-security.md).
DO $$
BEGIN
  IF (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) THEN
    ALTER FUNCTION pg_catalog.arrayoverlap(anyarray, anyarray) LEAKPROOF;
  ELSE
    RAISE NOTICE 'not a superuser: term searches will not use their index';
  END IF;
END
$$;
--> statement-breakpoint
-- Stored bodies as lz4: half the write cost of pglz here. A server built without it keeps its default.
DO $$
BEGIN
  ALTER TABLE resource ALTER COLUMN body SET COMPRESSION lz4;
  ALTER TABLE resource_version ALTER COLUMN body SET COMPRESSION lz4;
EXCEPTION
  WHEN feature_not_supported OR invalid_parameter_value THEN RAISE NOTICE 'this server has no lz4';
END
$$;
--> statement-breakpoint
-- Queues the review of these patients in the caller's transaction. One waiting job per patient, however often it is asked for.
-- SECURITY DEFINER, so that the service needs no rights on the job tables; the tenant is the one of the session, never an argument.
CREATE FUNCTION queue_reviews(patients text[]) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_jobs(
    ARRAY(
      SELECT ('review-patient', json_build_object('tenantId', t, 'patientId', p), NULL, NULL, NULL, 'review:' || t || ':' || p, NULL, NULL)::graphile_worker.job_spec
      FROM unnest(patients) AS p, (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
      WHERE t IS NOT NULL
      ORDER BY p
    ),
    true
  );
$$;
--> statement-breakpoint
CREATE FUNCTION queue_unmatched_review(device_identifier text) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'review-unmatched', json_build_object('tenantId', t, 'deviceIdentifier', device_identifier),
    job_key => 'unmatched:' || t || ':' || device_identifier, job_key_mode => 'preserve_run_at')
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION queue_reviews(text[]), queue_unmatched_review(text) FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION queue_reviews(text[]), queue_unmatched_review(text) TO tidegate_service;
