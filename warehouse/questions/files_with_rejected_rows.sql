-- question files_with_rejected_rows: the files of which rows were rejected, latest first.
--
-- Grain:  one row per file of a job folder.
-- Takes:  nothing.
SELECT
    job_folder,
    file_name,
    state,
    rows_read,
    rows_rejected,
    file_sha256
FROM out.file
WHERE rows_rejected > 0
ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name ASC;
