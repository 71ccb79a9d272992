-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_gap_names_what_is_lacking (fail)
-- A gap without its layout or its entry could not be mended by anybody.
SELECT layout
FROM out.layout_gap
WHERE layout IS NULL OR entry IS NULL OR entry = '';
