-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: steady_and_excluded_time_make_up_the_ride (fail)
-- Every second of a ride is evidence or is left out for a named reason.
SELECT ride.ride_id
FROM out.ride AS ride
LEFT JOIN out.ride_exclusion AS excluded ON ride.ride_id = excluded.ride_id
GROUP BY ride.ride_id, ride.duration_s, ride.steady_s
HAVING abs(ride.duration_s - ride.steady_s - coalesce(sum(excluded.excluded_s), 0)) > 0.01;

-- check: every_ride_is_counted_in_its_stage (fail)
-- The line of a stage says how many rides stand behind it.
SELECT line.stage_id
FROM out.stage_cruise AS line
LEFT JOIN out.ride AS ride ON line.stage_id = ride.stage_id
GROUP BY line.stage_id, line.rides
HAVING count(ride.ride_id) <> line.rides;
