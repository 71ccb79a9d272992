-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_bike_counts_once (fail)
-- Pulls and jobs are not bikes: there are at least as many jobs as bikes.
SELECT effect_id
FROM out.pooled_effect
WHERE bikes > jobs OR bikes < 1;

-- check: every_mean_lies_in_its_interval (fail)
-- An interval that does not hold its own mean was computed from something else.
SELECT effect_id
FROM out.pooled_effect
WHERE
    mean_pct NOT BETWEEN lower_pct AND upper_pct
    OR own_mean_pct NOT BETWEEN own_lower_pct AND own_upper_pct;

-- check: the_next_bike_is_less_certain_than_the_mean (warn)
-- What is promised to the next customer must allow for the scatter between bikes.
SELECT effect_id
FROM out.pooled_effect
WHERE next_upper_pct - next_lower_pct < upper_pct - lower_pct;
