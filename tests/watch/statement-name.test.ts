import { expect, test } from "vitest";
import { statementName } from "../../src/watch/statement-name.ts";

test("a statement is named by what it does and to which table", () => {
  expect(statementName("select body from resource where tenant_id = $1")).toBe("select resource");
  expect(statementName("\n  insert into audit_pending (tenant_id) values ($1)")).toBe("insert audit_pending");
  expect(statementName("update received_upload set status = $2")).toBe("update received_upload");
  expect(statementName("select queue_reviews($1::text[])")).toBe("select queue_reviews");
  expect(statementName("with gone as (delete from fact where x = 1) select 1 from gone")).toBe("with fact");
});

test("nothing of a value is ever part of the name", () => {
  expect(statementName("set local tidegate.tenant = '17'")).toBe("set");
  expect(statementName("select 'Fernleighton' as name from patient")).toBe("select patient");
  expect(statementName("vacuum 'x'")).toBe("statement");
});
