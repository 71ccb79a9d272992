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
