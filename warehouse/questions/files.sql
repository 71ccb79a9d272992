-- question files: the files in these states whose job or name holds a text, latest first.
--
-- Grain:  one row per file of a job folder, the 2,000 latest; found counts all of them.
-- Takes:  $states, $text.
SELECT
    job_folder,
    file_name,
    state,
    layout,
    rows_kept,
    rows_rejected,
    size_bytes,
    received_at,
    left(file_sha256, 12) AS sha256_start,
    count(*) OVER () AS found
FROM out.file
WHERE
    list_contains($states, state) AND contains(lower(job_folder || '/' || file_name), lower($text))
ORDER BY received_at DESC NULLS LAST, job_folder DESC, file_name ASC
LIMIT 2000;
