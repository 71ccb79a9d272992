-- question find_files: files whose name holds a text or whose SHA-256 begins with it, latest first.
--
-- Grain:  one row per file of a job folder, at most 20; found counts all of them.
-- Takes:  $text: in small letters, without accents.
-- Nulls:  stage_id, job_id and bike_id of a file that was not taken in.
SELECT
    file.job_folder,
    file.file_name,
    file.state,
    left(file.file_sha256, 12) AS sha256_start,
    file.stage_id,
    stage.job_id,
    stage.bike_id,
    strip_accents(lower(file.file_name)) = $text OR file.file_sha256 = $text AS is_exact,
    count(*) OVER () AS found
FROM out.file AS file
LEFT JOIN out.stage AS stage USING (stage_id)
WHERE
    contains(strip_accents(lower(file.job_folder || '/' || file.file_name)), $text)
    -- Fewer letters of a hash are an accident.
    OR (length($text) >= 6 AND starts_with(file.file_sha256, $text))
ORDER BY
    is_exact DESC, file.received_at DESC NULLS LAST, file.job_folder DESC, file.file_name ASC
LIMIT 20;
