-- Exports and imports go before reviews: an import of a hundred thousand people queues as many reviews, and what a client began
-- next stood "waiting" behind all of them. A process works on fewer of these jobs than it has places, so that reviews still go on
-- beside them (one place alone is theirs for as long as it takes, as it was before).
CREATE OR REPLACE FUNCTION queue_bulk(bulk_job_id text, after_seconds integer) RETURNS void
LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT graphile_worker.add_job(
    'run-bulk',
    json_strip_nulls(json_build_object('tenantId', t, 'jobId', bulk_job_id, 'cause', nullif(current_setting('tidegate.cause', true), ''))),
    run_at => now() + make_interval(secs => after_seconds), job_key => 'bulk:' || t || ':' || bulk_job_id, priority => -1)
  FROM (SELECT nullif(current_setting('tidegate.tenant', true), '')::integer) AS session(t)
  WHERE t IS NOT NULL;
$$;
