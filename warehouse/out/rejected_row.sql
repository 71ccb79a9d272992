-- out.rejected_row: the first rejected rows of each file, with the rule each one broke.
--
-- Grain:  one row per file_sha256, line_no, column_name and rule; at most 20 a file.
-- Reads:  raw.rejected_row
CREATE OR REPLACE VIEW out.rejected_row AS
SELECT
    file_sha256,
    line_no,
    column_name,
    rule,
    found
FROM raw.rejected_row
QUALIFY row_number() OVER (
    PARTITION BY file_sha256
    ORDER BY line_no, column_name, rule
) <= 20;
