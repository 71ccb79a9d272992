-- question untaught_files: the files that wait for a layout, latest first.
--
-- Grain:  one row per file_sha256.
-- Takes:  nothing.
SELECT
    file_sha256,
    first(job_folder || ' / ' || file_name ORDER BY job_folder, file_name) AS label
FROM out.file
WHERE reason_code = 'layout not taught'
GROUP BY file_sha256
ORDER BY max(received_at) DESC, label;
