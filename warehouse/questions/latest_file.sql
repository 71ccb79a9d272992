-- question latest_file: the file that came last, whatever became of it.
--
-- Grain:  one row.
-- Takes:  nothing.
SELECT
    job_folder,
    file_name,
    state,
    reason,
    reason AS remedy,
    received_at
FROM out.file
WHERE received_at IS NOT NULL AND job_folder <> '_notes' AND state <> 'card'
ORDER BY received_at DESC, (state = 'taken in') ASC, job_folder DESC, file_name DESC
LIMIT 1;
