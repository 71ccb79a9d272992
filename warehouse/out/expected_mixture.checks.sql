-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: an_expectation_counts_its_bikes (fail)
-- The line says how many bikes can be listed.
SELECT line.expected_id
FROM out.expected_mixture AS line
LEFT JOIN out.expected_mixture_bike AS member ON line.expected_id = member.expected_id
GROUP BY line.expected_id, line.bikes
HAVING count(DISTINCT member.bike_id) <> line.bikes;

-- check: an_expectation_without_bikes_is_all_borrowed (fail)
-- What no bike of the model showed can only come from others.
SELECT expected_id
FROM out.expected_mixture
WHERE (bikes = 0 AND borrowed_share < 1) OR borrowed_share NOT BETWEEN 0 AND 1;

-- check: no_speed_needs_more_than_is_enough_at_all_of_them (fail)
-- The headline and the table by speed would say different things.
SELECT head.expected_id
FROM out.expected_mixture AS head
INNER JOIN out.expected_mixture_speed AS line ON head.expected_id = line.expected_id
WHERE line.upper_pct > head.enough_pct + 1e-9 OR line.expected_error_pct > head.enough_pct + 1e-9;
