-- Queues reviews that are due because of the time, several patients a job and behind those that follow from writes (priority 10).
-- While any of an earlier call still wait, nothing is queued: they will be done, and what is due then is asked again. As
-- queue_reviews: SECURITY DEFINER, so that the service needs no rights on the job tables; the tenant is the session's.
CREATE FUNCTION queue_review_batches(patients text[], patients_a_job integer) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
  t integer := nullif(current_setting('tidegate.tenant', true), '')::integer;
  specs graphile_worker.job_spec[];
BEGIN
  IF t IS NULL OR patients_a_job < 1 OR cardinality(patients) = 0 THEN RETURN 0; END IF;
  -- Of several that come at once, one queues.
  PERFORM pg_advisory_xact_lock(hashtext('tidegate review batches'), t);
  IF EXISTS (SELECT FROM graphile_worker.jobs WHERE key LIKE 'reviews:' || t || ':%' AND attempts < max_attempts) THEN
    RETURN 0;
  END IF;
  SELECT array_agg(('review-patients', json_build_object('tenantId', t, 'patientIds', ids), NULL, NULL, NULL,
    'reviews:' || t || ':' || batch, 10, NULL)::graphile_worker.job_spec ORDER BY batch)
  INTO specs
  FROM (SELECT (n - 1) / patients_a_job AS batch, array_agg(p ORDER BY n) AS ids
    FROM unnest(patients) WITH ORDINALITY AS u(p, n) GROUP BY 1) AS batches;
  PERFORM graphile_worker.add_jobs(specs, true);
  RETURN cardinality(specs);
END
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION queue_review_batches(text[], integer) FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION queue_review_batches(text[], integer) TO tidegate_service;
