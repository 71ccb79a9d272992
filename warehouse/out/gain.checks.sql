-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_gain_lies_in_its_interval (fail)
-- An interval that does not hold its own gain was computed from something else.
SELECT gain_id
FROM out.gain
WHERE
    mean_gain_pct NOT BETWEEN mean_gain_lower_pct AND mean_gain_upper_pct
    OR peak_gain_pct NOT BETWEEN peak_gain_lower_pct AND peak_gain_upper_pct;

-- check: both_sides_are_sessions_of_one_bike (fail)
-- A gain between two bikes, or from a session that is gone, leads home to nothing.
SELECT gain.gain_id
FROM out.gain AS gain
LEFT JOIN out.session AS before
    ON gain.before_stage_id = before.stage_id AND gain.bike_id = before.bike_id
LEFT JOIN out.session AS after
    ON gain.after_stage_id = after.stage_id AND gain.bike_id = after.bike_id
WHERE before.stage_id IS NULL OR after.stage_id IS NULL;

-- check: what_is_unlike_says_in_what (fail)
-- A comparison that is not like for like must name what differed, and only then.
SELECT gain_id
FROM out.gain
WHERE is_like_for_like <> (unlike_reason = '[]');

-- check: only_like_for_like_is_pooled (fail)
-- Other fuel, gear, dyno or doubtful weather must not reach what is promised to customers.
SELECT gain_id
FROM out.gain
WHERE is_pooled AND NOT is_like_for_like;

-- check: a_drift_stands_where_the_bike_was_put_back (fail)
-- A drift without a second before-session, or outside of its interval, was made up.
SELECT gain_id
FROM out.gain
WHERE
    (again_stage_id IS NULL) <> (drift_pct IS NULL)
    OR (again_stage_id IS NULL) <> (pulls_again IS NULL)
    OR drift_pct NOT BETWEEN drift_lower_pct AND drift_upper_pct;

-- check: without_air_there_is_no_verdict (fail)
-- The weather alone moves power by percents: a verdict here would be read as a gain.
SELECT gain_id
FROM out.gain
WHERE
    (air_state IN ('one side', 'none')) <> (verdict = 'cannot be told: no air')
    OR (verdict = 'cannot be told: no air') <> (mean_verdict_p IS NULL)
    OR (air_state IN ('one side', 'none') AND verdict_at_peak <> verdict)
    OR (air_state <> 'reference' AND is_pooled);

-- check: what_is_real_leaves_out_zero (fail)
-- Verdicts of one card share an error rate: none may be bolder than its own interval.
SELECT gain_id
FROM out.gain
WHERE
    (verdict = 'real gain' AND mean_gain_lower_pct <= 0)
    OR (verdict = 'real loss' AND mean_gain_upper_pct >= 0)
    OR (verdict_at_peak = 'real gain' AND peak_gain_lower_pct <= 0)
    OR (verdict_at_peak = 'real loss' AND peak_gain_upper_pct >= 0);

-- check: no_gain_is_beyond_belief (warn)
-- Parts and maps do not move a whole curve by 40 %: a unit, a gear or a slipping clutch does.
SELECT gain_id
FROM out.gain
WHERE is_like_for_like AND abs(mean_gain_pct) > 40;
