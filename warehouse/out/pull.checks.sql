-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_pull_left_out_says_why (fail)
-- Nothing is dropped in silence, and nothing that counts carries a trouble.
SELECT pull_id
FROM out.pull
WHERE is_used <> (trouble IS NULL);

-- check: a_pull_that_counts_has_a_curve (fail)
-- A pull without a curve cannot count in a session.
SELECT pull.pull_id
FROM out.pull AS pull
ANTI JOIN out.pull_curve AS points ON pull.pull_id = points.pull_id
WHERE pull.is_used;

-- check: forced_induction_is_not_corrected (fail)
-- The correction is for engines that breathe the air as it is; a turbo makes its own.
SELECT pull.pull_id
FROM out.pull AS pull
INNER JOIN out.stage AS stage ON pull.stage_id = stage.stage_id
WHERE stage.induction = 'forced' AND pull.reference_factor IS NOT NULL;

-- check: a_peak_lies_within_its_interval (fail)
-- The middle is the peak with the lift of noise taken out: the ends stand around it.
SELECT pull_id
FROM out.pull
WHERE
    peak_power_lower_w > peak_power_mid_w
    OR peak_power_mid_w > peak_power_upper_w
    OR (peak_power_mid_w IS NULL) <> (peak_power_lower_w IS NULL)
    OR (peak_power_mid_w IS NULL) <> (peak_power_upper_w IS NULL);

-- check: the_weather_agrees_with_the_factor (warn)
-- A factor that its own weather does not give: sea-level pressure, a wrong unit, a dead station.
SELECT pull_id
FROM out.pull
WHERE abs(factor_disagreement_pct) > 3;

-- check: a_pull_set_aside_does_not_count (fail)
-- What a person took out of a session is in none of its figures.
SELECT pull_id
FROM out.pull
WHERE is_used AND set_aside IS NOT NULL;
