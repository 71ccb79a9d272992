-- question files_of_folder: the files of a job folder, those in need first, and what became of
-- each.
--
-- Grain:  one row per file.
-- Takes:  $job_folder, $with_card.
SELECT
    file_name,
    state,
    reason,
    reason AS remedy,
    layout,
    layout_kind,
    rows_kept,
    rows_rejected,
    coalesce(size_bytes, 0) AS size_bytes
FROM out.file
WHERE job_folder = $job_folder AND ($with_card OR file_name <> 'card.toml')
ORDER BY
    coalesce(list_position(
        ['refused', 'missing', 'waiting', 'duplicate', 'taken in'], state
    ), 99),
    file_name;
