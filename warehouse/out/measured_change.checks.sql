-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_pooled_gain_is_in_a_measured_change (fail)
-- A ranking of changes that leaves one out says less than was measured.
SELECT gain.gain_id
FROM out.gain AS gain
LEFT JOIN out.measured_change AS found
    ON gain.change_key = found.change_key AND gain.model_id = found.model_id
WHERE gain.is_pooled AND found.change_key IS NULL;

-- check: p_and_interval_agree (fail)
-- A change is off nothing by both or by neither.
SELECT change_key
FROM out.measured_change
WHERE
    (own_p < 0.049 AND own_lower_pct <= 0 AND own_upper_pct >= 0)
    OR (own_p > 0.051 AND (own_lower_pct > 0 OR own_upper_pct < 0));
