-- out.pull_source: every file that holds a pull: its own, and those that repeat it.
--
-- Grain:  one row per pull_id, job_folder and file_name.
-- Reads:  out.pull, out.same_pull, raw.outcome
CREATE OR REPLACE VIEW out.pull_source AS
WITH held AS (
    SELECT
        pull_id AS counted_pull_id,
        pull_id
    FROM out.pull
    UNION ALL
    SELECT
        earlier_pull_id AS counted_pull_id,
        pull_id
    FROM out.same_pull
)

SELECT
    held.counted_pull_id AS pull_id,
    outcome.job_folder,
    outcome.file_name,
    pull.file_sha256,
    pull.layout,
    held.counted_pull_id = held.pull_id AND outcome.state = 'taken in' AS is_counted
FROM held
INNER JOIN out.pull AS pull ON held.pull_id = pull.pull_id
INNER JOIN raw.outcome AS outcome ON pull.file_sha256 = outcome.file_sha256;
