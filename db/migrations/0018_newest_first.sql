-- "What does this patient have of this type, newest first?" is answered in the order of the index: a search puts what has no time last,
-- in either direction, and an ascending index read backwards has it first. One that has a time bound may be read either way.
-- Takes about two seconds for a million rows, in which nothing is written.
DROP INDEX "resource_patient_time";--> statement-breakpoint
CREATE INDEX "resource_patient_time" ON "resource" USING btree ("tenant_id","type","patient_id","started_at" DESC NULLS LAST) WHERE patient_id is not null;
