-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_next_bike_holds_the_expected_one (fail)
-- An interval beside its figure is another build's.
SELECT expected_id
FROM out.expected_mixture_speed
WHERE expected_error_pct NOT BETWEEN lower_pct AND upper_pct;

-- check: every_speed_has_its_expectation (fail)
-- A line without its build is nobody's.
SELECT line.expected_id
FROM out.expected_mixture_speed AS line
ANTI JOIN out.expected_mixture AS head ON line.expected_id = head.expected_id;
