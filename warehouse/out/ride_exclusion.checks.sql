-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_exclusion_has_a_reason_and_a_time (fail)
-- Exclusions are counted and shown, never silent.
SELECT ride_id
FROM out.ride_exclusion
WHERE exclusion_reason = '' OR excluded_s < 0;

-- check: every_exclusion_has_its_ride (fail)
-- An exclusion of a ride that is gone counts time that nobody rode.
SELECT excluded.ride_id
FROM out.ride_exclusion AS excluded
ANTI JOIN out.ride AS ride ON excluded.ride_id = ride.ride_id;
