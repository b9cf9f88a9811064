-- As before, with what Subscriptions wait for: events that were numbered for them and not yet delivered.
CREATE OR REPLACE FUNCTION house_counts(at_most integer DEFAULT 10000)
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
    RETURN QUERY SELECT 'subscription', '', s.state::text, count(*)::double precision, NULL::double precision
      FROM subscription_state s WHERE s.tenant_id = t GROUP BY 3;
    RETURN QUERY SELECT 'notification', '', 'waiting', coalesce(sum(s.events - s.delivered), 0)::double precision,
        (SELECT greatest(0, extract(epoch FROM now() - min(e.at))) FROM subscription_event e JOIN subscription_state o
          ON o.tenant_id = e.tenant_id AND o.subscription_id = e.subscription_id
          WHERE e.tenant_id = t AND o.state = 'active' AND e.number > o.delivered)::double precision
      FROM subscription_state s WHERE s.tenant_id = t AND s.state = 'active';
  END LOOP;
END
$$;
--> statement-breakpoint
-- When the last migration that was run was made, for /health/ready: the service may not read the migrator's own table.
CREATE FUNCTION schema_version() RETURNS bigint LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
  SELECT max(created_at) FROM drizzle.__drizzle_migrations;
$$;
--> statement-breakpoint
REVOKE ALL ON FUNCTION schema_version() FROM PUBLIC;
--> statement-breakpoint
GRANT EXECUTE ON FUNCTION schema_version() TO tidegate_service;
