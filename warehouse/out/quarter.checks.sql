-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_job_falls_in_a_quarter (fail)
-- A quarter that is left out would hide its jobs from the review.
SELECT DISTINCT stage.quarter_label
FROM out.stage AS stage
LEFT JOIN out.quarter AS quarters ON stage.quarter_label = quarters.quarter_label
WHERE quarters.quarter_label IS NULL;
