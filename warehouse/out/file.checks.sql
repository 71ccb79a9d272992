-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_file_that_is_not_in_says_why (fail)
-- Refused is a state, not a bin: each file that waits has its reason.
SELECT
    job_folder,
    file_name
FROM out.file
WHERE
    state IN ('refused', 'waiting', 'missing', 'duplicate')
    AND (reason_code = '' OR reason IS NULL);

-- check: a_file_taken_in_belongs_to_a_stage (fail)
-- A file that counts must count somewhere.
SELECT
    file.job_folder,
    file.file_name
FROM out.file AS file
ANTI JOIN core.stage AS stage ON file.stage_id = stage.stage_id
WHERE file.state = 'taken in';

-- check: every_row_read_is_kept_or_rejected (fail)
-- No row may vanish between the file and its samples.
SELECT
    job_folder,
    file_name
FROM out.file
WHERE state = 'taken in' AND rows_read <> rows_kept + rows_rejected;
