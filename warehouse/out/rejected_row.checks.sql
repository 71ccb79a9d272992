-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_rejected_row_names_its_rule (fail)
-- A row is only rejected for a rule that can be told.
SELECT
    file_sha256,
    line_no
FROM out.rejected_row
WHERE rule = '';

-- check: a_few_rows_stand_for_each_file (fail)
-- A file of bad rows must not fill the pages: its first 20 are shown, all of them are kept.
SELECT file_sha256
FROM out.rejected_row
GROUP BY file_sha256
HAVING count(*) > 20;
