-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_speed_is_told_once_and_one_way (fail)
-- A curve has one value at each speed, by rpm for a model and by share for all of them.
SELECT change_key
FROM out.pooled_curve
GROUP BY change_key, model_id, engine_speed_rpm, peak_speed_share
HAVING
    count(*) > 1
    OR (engine_speed_rpm IS NULL) = (peak_speed_share IS NULL)
    OR (engine_speed_rpm IS NULL) <> (model_id IS NULL);

-- check: the_band_of_the_next_bike_holds_that_of_the_mean (fail)
-- The next bike is never surer than the mean of the bikes.
SELECT change_key
FROM out.pooled_curve
WHERE
    lower_pct > mean_pct OR upper_pct < mean_pct
    OR next_lower_pct > lower_pct OR next_upper_pct < upper_pct;
