-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_repeated_ride_is_no_evidence (fail)
-- One ride counts once: of a pair, the other one has no steady second in any cell.
SELECT same_ride.ride_id
FROM out.same_ride AS same_ride
INNER JOIN out.ride AS ride ON same_ride.ride_id = ride.ride_id
WHERE ride.trouble IS NULL OR ride.steady_s > 0;
