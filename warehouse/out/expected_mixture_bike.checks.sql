-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_bike_counts_once (fail)
-- Several jobs of one bike are one bike.
SELECT expected_id
FROM out.expected_mixture_bike
GROUP BY expected_id, bike_id
HAVING count(*) > 1;

-- check: every_member_has_its_expectation (fail)
-- A member of a build that is gone counts for nothing.
SELECT member.expected_id
FROM out.expected_mixture_bike AS member
ANTI JOIN out.expected_mixture AS head ON member.expected_id = head.expected_id;
