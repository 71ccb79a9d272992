-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_promise_is_held_where_it_says (fail)
-- The score is what a shop is told to trust its quotes by.
SELECT gain_id
FROM out.promise
WHERE is_held <> (shown_pct BETWEEN measured_lower_pct AND measured_upper_pct);

-- check: a_promise_rests_on_bikes_before_it (fail)
-- Whoever knows what came has promised nothing.
SELECT gain_id
FROM out.promise
WHERE bikes + other_bikes < 1;

-- check: a_measured_bike_is_less_certain_than_the_bike (warn)
-- A measurement adds its own scatter to what a bike is.
SELECT gain_id
FROM out.promise
WHERE measured_upper_pct - measured_lower_pct < next_upper_pct - next_lower_pct;
