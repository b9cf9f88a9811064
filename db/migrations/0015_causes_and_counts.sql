-- A job names the request that caused it: its id and, where spans are told, its trace. The transaction says so in a setting of its own.
CREATE FUNCTION request_cause() RETURNS text LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
  SELECT nullif(current_setting('tidegate.cause', true), '');
$$;
--> statement-breakpoint
-- As before, but for the cause. Of several that ask for the review of one patient before it begins, the last is named.
CREATE OR REPLACE FUNCTION queue_reviews(patients text[]) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_jobs(
    ARRAY(
      SELECT ('review-patient',
        json_strip_nulls(json_build_object('tenantId', t, 'patientId', p, 'cause', nullif(current_setting('tidegate.cause', true), ''))),
        NULL, NULL, NULL, 'review:' || t || ':' || p, NULL, NULL)::graphile_worker.job_spec
      FROM unnest(patients) AS p, (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
      WHERE t IS NOT NULL
      ORDER BY p
    ),
    true
  );
$$;
--> statement-breakpoint
CREATE OR REPLACE FUNCTION queue_unmatched_review(device_identifier text) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'review-unmatched',
    json_strip_nulls(json_build_object('tenantId', t, 'deviceIdentifier', device_identifier, 'cause', nullif(current_setting('tidegate.cause', true), ''))),
    job_key => 'unmatched:' || t || ':' || device_identifier, job_key_mode => 'preserve_run_at')
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
CREATE OR REPLACE FUNCTION queue_release(release_number integer) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'make-release',
    json_strip_nulls(json_build_object('tenantId', t, 'number', release_number, 'cause', nullif(current_setting('tidegate.cause', true), ''))),
    job_key => 'release:' || t || ':' || release_number, job_key_mode => 'preserve_run_at')
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
CREATE OR REPLACE FUNCTION queue_bulk(bulk_job_id text, after_seconds integer) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'run-bulk',
    json_strip_nulls(json_build_object('tenantId', t, 'jobId', bulk_job_id, 'cause', nullif(current_setting('tidegate.cause', true), ''))),
    run_at => now() + make_interval(secs => after_seconds), job_key => 'bulk:' || t || ':' || bulk_job_id)
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
--> statement-breakpoint
-- How much waits in the whole house, for /metrics: numbers and no rows, of all tenants together. SECURITY DEFINER, so that the
-- service needs no rights on the job tables. Row-level security binds an owner too, so each tenant is looked at in its turn; the
-- settings end with the transaction. What may be much is counted to `at_most`: beyond that the number no longer matters.
CREATE FUNCTION house_counts(at_most integer DEFAULT 10000)
RETURNS TABLE (counted text, kind text, state text, number double precision, oldest_seconds double precision)
LANGUAGE plpgsql SECURITY DEFINER SET search_path FROM CURRENT AS $$
DECLARE
  t integer;
BEGIN
  RETURN QUERY
    SELECT 'job', k.identifier,
      CASE WHEN j.locked_at IS NOT NULL THEN 'running' WHEN j.attempts >= j.max_attempts THEN 'failed'
        WHEN j.run_at > now() THEN 'later' ELSE 'waiting' END AS s,
      count(*)::double precision, greatest(0, extract(epoch FROM now() - min(j.run_at)))::double precision
    FROM graphile_worker._private_jobs j JOIN graphile_worker._private_tasks k ON k.id = j.task_id
    GROUP BY 2, 3;
  PERFORM set_config('tidegate.bulk_client', '*', true);
  FOR t IN SELECT tenant_id FROM tenant ORDER BY tenant_id LOOP
    PERFORM set_config('tidegate.tenant', t::text, true);
    RETURN QUERY SELECT 'noted entry', '', 'waiting', count(*)::double precision, NULL::double precision
      FROM (SELECT FROM audit_pending p WHERE p.tenant_id = t LIMIT at_most) AS few;
    RETURN QUERY SELECT 'bulk job', b.kind::text, b.state::text, count(*)::double precision,
        greatest(0, extract(epoch FROM now() - min(b.heartbeat_at)))::double precision
      FROM bulk_job b WHERE b.tenant_id = t GROUP BY 2, 3;
    RETURN QUERY SELECT 'upload', '', few.status, count(*)::double precision, NULL::double precision
      FROM (SELECT u.status FROM received_upload u WHERE u.tenant_id = t AND u.status IN ('refused', 'partly-refused')
        AND NOT EXISTS (SELECT FROM received_message m WHERE m.tenant_id = t AND m.message_id = u.upload_id) LIMIT at_most) AS few
      GROUP BY 3;
    RETURN QUERY SELECT 'message', '', few.status, count(*)::double precision, NULL::double precision
      FROM (SELECT u.status FROM received_upload u JOIN received_message m ON m.tenant_id = u.tenant_id AND m.message_id = u.upload_id
        WHERE u.tenant_id = t AND u.status IN ('refused', 'partly-refused') AND u.reason IS DISTINCT FROM 'corrected' LIMIT at_most) AS few
      GROUP BY 3;
  END LOOP;
END
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION house_counts(integer) FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION house_counts(integer) TO tidegate_service;
