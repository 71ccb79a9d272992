-- question first_bad_rows: the first rejected rows of some files, so many of each.
--
-- Grain:  one row per rejected row, at most five a file.
-- Takes:  $file_sha256s.
SELECT
    file_sha256,
    line_no,
    column_name,
    rule,
    found
FROM out.rejected_row
WHERE list_contains($file_sha256s, file_sha256)
QUALIFY
    row_number() OVER (
        PARTITION BY file_sha256
        ORDER BY line_no, column_name, rule
    ) <= 5
ORDER BY list_position($file_sha256s, file_sha256), line_no, column_name, rule;
