-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_pooled_change_stands_in_its_quarter (fail)
-- A change that was measured must be seen in the review of its quarter.
SELECT gain.gain_id
FROM out.gain AS gain
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
LEFT JOIN out.quarter_gain AS quarter_gain
    ON
        stage.quarter_label = quarter_gain.quarter_label
        AND gain.change_key = quarter_gain.change_key
        AND gain.change_kind = quarter_gain.change_kind
WHERE gain.is_pooled AND quarter_gain.change_key IS NULL;
