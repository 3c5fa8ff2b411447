-- Every statement of the store, by name. Values always come as parameters, frames as the relation `incoming`.

-- name: store_version
SELECT max(version) AS version FROM store_version;

-- name: create_store_version
CREATE TABLE store_version (version INTEGER NOT NULL, applied VARCHAR NOT NULL);

-- name: set_store_version
INSERT INTO store_version VALUES ($version, $applied);

-- name: list_tables
SELECT table_name FROM information_schema.tables WHERE table_schema = 'main' ORDER BY table_name;

-- name: list_all_columns
SELECT table_name, column_name FROM information_schema.columns
WHERE table_schema = 'main' ORDER BY table_name, ordinal_position;

-- name: list_text_columns
SELECT table_name, column_name, data_type FROM information_schema.columns
WHERE table_schema = 'main' AND data_type IN ('VARCHAR', 'VARCHAR[]') ORDER BY table_name, ordinal_position;

-- name: list_definitions
SELECT table_name, sql FROM duckdb_tables() WHERE schema_name = 'main' AND NOT internal ORDER BY table_oid;

-- name: size
SELECT count(*) AS words FROM packed;

-- --- logs ----------------------------------------------------------------------------------------------------------

-- name: log_files
SELECT * FROM log_file ORDER BY log_no;

-- name: last_log_no
SELECT coalesce(max(log_no), 0) AS log_no FROM log_file;

-- name: touch_log_files
UPDATE log_file SET mtime_ns = incoming.mtime_ns, bytes = incoming.bytes
FROM incoming WHERE log_file.path = incoming.path;

-- name: insert_packed
INSERT INTO packed SELECT log_no, word FROM incoming;

-- name: packed_of
SELECT packed.log_no, word
FROM packed SEMI JOIN incoming ON packed.log_no = incoming.log_no
WHERE packed.log_no BETWEEN $first AND $last
-- a join keeps no order; what was written in log order is read in log order
ORDER BY packed.log_no, packed.rowid;

-- name: packed_between
SELECT log_no, word FROM packed WHERE log_no BETWEEN $first AND $last;

-- name: packed_in_order
SELECT log_no, word FROM packed;

-- name: older_samples_of
SELECT sample.log_no, elapsed_s, pressure_micron, ambient_c
FROM sample SEMI JOIN incoming ON sample.log_no = incoming.log_no
WHERE sample.log_no BETWEEN $first AND $last
ORDER BY sample.log_no, sample.rowid;

-- name: older_samples_between
SELECT log_no, elapsed_s, pressure_micron, ambient_c FROM sample
WHERE log_no BETWEEN $first AND $last ORDER BY log_no, rowid;

-- name: older_log_nos
SELECT DISTINCT log_no FROM sample ORDER BY log_no;

-- name: drop_older_samples
DROP TABLE sample;

-- name: marks_of
SELECT mark.log_no, elapsed_s, text
FROM mark SEMI JOIN incoming ON mark.log_no = incoming.log_no
WHERE mark.log_no BETWEEN $first AND $last
ORDER BY mark.log_no, elapsed_s, rowid;

-- --- measures ------------------------------------------------------------------------------------------------------

-- name: measure_contexts
SELECT evacuation_id, context FROM measure;

-- name: latest_groups
SELECT evacuation_id, group_id, group_name FROM outcome_group
WHERE as_of = (SELECT max(as_of) FROM outcome_group);

-- --- registers -----------------------------------------------------------------------------------------------------

-- name: register_files
SELECT * FROM register_file ORDER BY name;

-- name: delete_register_file
DELETE FROM register_file WHERE name = $name;

-- --- quarantine ----------------------------------------------------------------------------------------------------

-- name: quarantine_of_origin
SELECT * FROM quarantine WHERE origin = $origin;

-- name: delete_quarantine_of_origin
DELETE FROM quarantine WHERE origin = $origin;

-- name: quarantine_of_logs
SELECT * FROM quarantine WHERE origin IN ('log', 'answered') AND path IN (SELECT path FROM incoming);

-- name: delete_quarantine_of_logs
DELETE FROM quarantine WHERE origin IN ('log', 'answered') AND path IN (SELECT path FROM incoming);

-- name: questions_of_logs
SELECT * FROM quarantine WHERE origin IN ('log', 'answered') AND starts_with(problem, $begins);

-- name: delete_questions_of_logs
DELETE FROM quarantine WHERE origin IN ('log', 'answered') AND starts_with(problem, $begins);

-- --- beliefs of one day --------------------------------------------------------------------------------------------

-- --- runs ----------------------------------------------------------------------------------------------------------

-- name: last_run_no
SELECT coalesce(max(run_no), 0) AS run_no FROM run;

-- name: last_run_before
SELECT coalesce(max(run_no), 0) AS run_no FROM run WHERE ran_at <= $moment;

-- name: last_run
SELECT * FROM run WHERE stage = $stage AND as_of IS NOT DISTINCT FROM $as_of ORDER BY run_no DESC LIMIT 1;

-- name: last_run_of_stage
SELECT * FROM run WHERE stage = $stage ORDER BY run_no DESC LIMIT 1;

-- --- questions -----------------------------------------------------------------------------------------------------

-- name: log_of_evacuation
SELECT log_file.log_no, log_file.sha256
FROM measure JOIN log_file ON log_file.log_no = measure.log_no
WHERE measure.evacuation_id = $evacuation_id
LIMIT 1;

-- name: logs_of_evacuations
SELECT incoming.evacuation_id, log_file.log_no, log_file.sha256
FROM incoming
JOIN measure ON measure.evacuation_id = incoming.evacuation_id
JOIN log_file ON log_file.log_no = measure.log_no
ORDER BY log_file.log_no, incoming.evacuation_id;

-- name: evacuation_exists
SELECT 1 AS found FROM register_evacuations WHERE evacuation_id = $evacuation_id;

-- name: months
SELECT DISTINCT month FROM result ORDER BY month;

-- name: entries_of_paths
SELECT path, log_no FROM log_file WHERE path IN (SELECT path FROM incoming);

-- name: lonely_log_nos
SELECT DISTINCT log_no FROM incoming WHERE log_no NOT IN (SELECT log_no FROM log_file);

-- name: unreadable_evacuations
SELECT assigned.evacuation_id FROM assigned JOIN log_file ON log_file.path = assigned.path
WHERE log_file.status = 'unreadable';

-- name: copy_jobs
SELECT measure.evacuation_id, content.sha256 AS log_key, content.log_no, content.readings, evacuations.started_at,
    measure.isolated_at_s
FROM measure
JOIN (
    SELECT log_no, any_value(sha256) AS sha256, any_value(readings) AS readings
    FROM log_file WHERE status = 'stored' GROUP BY log_no
) AS content ON content.log_no = measure.log_no
JOIN register_evacuations AS evacuations ON evacuations.evacuation_id = measure.evacuation_id
ORDER BY evacuations.started_at, measure.evacuation_id;

-- name: result_of_evacuation
SELECT * FROM result WHERE evacuation_id = $evacuation_id;

-- name: phase_of_evacuation
SELECT * FROM phase WHERE evacuation_id = $evacuation_id ORDER BY phase_no;

-- name: compared_pairs_of
SELECT * FROM compared_pair
WHERE earlier_key IN (SELECT log_key FROM incoming) OR later_key IN (SELECT log_key FROM incoming);
