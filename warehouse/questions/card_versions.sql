-- question card_versions: every version of a folder's card that came in, latest first.
--
-- Grain:  one row per version of the card.
-- Takes:  $job_folder.
SELECT
    received_at,
    job_id,
    is_in_force,
    is_current,
    file_sha256
FROM out.card
WHERE job_folder = $job_folder
ORDER BY received_at DESC, is_current DESC, file_sha256 ASC;
