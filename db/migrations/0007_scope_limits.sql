-- Reading on behalf of a client whose scopes limit a type by a search parameter (system/Observation.rs?category=…): of such a
-- type only resources show that have one of the limit's terms, whatever way a search takes to them. What a replaced version
-- would have been found by is kept nowhere, so none of them show. Clients without limits set nothing and pay nothing.
CREATE POLICY limited_types ON resource AS RESTRICTIVE FOR SELECT USING (
  (SELECT nullif(current_setting('tidegate.limited_types', true), '')) IS NULL
  OR type <> ALL ((SELECT string_to_array(current_setting('tidegate.limited_types', true), ','))::text[])
  OR terms && (SELECT string_to_array(current_setting('tidegate.limit_terms', true), ','))::bigint[]
);
--> statement-breakpoint
CREATE POLICY limited_types ON resource_version AS RESTRICTIVE FOR SELECT USING (
  (SELECT nullif(current_setting('tidegate.limited_types', true), '')) IS NULL
  OR type <> ALL ((SELECT string_to_array(current_setting('tidegate.limited_types', true), ','))::text[])
);
--> statement-breakpoint
DO $$
DECLARE
  t text;
BEGIN
  FOREACH t IN ARRAY ARRAY['resource_string', 'resource_date']
  LOOP
    EXECUTE format($policy$
      CREATE POLICY limited_types ON %1$I AS RESTRICTIVE FOR SELECT USING (
        (SELECT nullif(current_setting('tidegate.limited_types', true), '')) IS NULL
        OR type <> ALL ((SELECT string_to_array(current_setting('tidegate.limited_types', true), ','))::text[])
        OR EXISTS (SELECT FROM resource r WHERE r.tenant_id = %1$I.tenant_id AND r.type = %1$I.type AND r.id = %1$I.id)
      )$policy$, t);
  END LOOP;
END
$$;
