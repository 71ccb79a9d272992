-- question files_in_need: the files that somebody has to see to, latest first.
--
-- Grain:  one row per file of a job folder.
-- Takes:  nothing.
SELECT
    job_folder,
    file_name,
    state,
    reason_code,
    reason,
    reason AS remedy,
    rows_read,
    rows_rejected,
    layout,
    size_bytes,
    received_at,
    file_sha256
FROM out.file
WHERE state IN ('waiting', 'refused', 'missing')
ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name ASC;
