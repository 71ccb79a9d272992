-- question rejected_rows: the first rejected rows of a file with the rule that each one broke.
--
-- Grain:  one row per kept rejected row.
-- Takes:  $file_sha256.
SELECT
    line_no,
    column_name,
    rule,
    found
FROM out.rejected_row
WHERE file_sha256 = $file_sha256
ORDER BY line_no, column_name, rule;
