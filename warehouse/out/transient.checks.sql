-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_movement_is_judged_or_says_why_not (fail)
-- A movement without a depth and without a reason would be lost from both counts.
SELECT ride_id
FROM out.transient
WHERE (outcome = '') <> (depth_pct IS NOT NULL) OR end_s < start_s;

-- check: a_tip_in_opens_and_a_lift_off_closes (fail)
-- Lean after closing and rich after opening are other things.
SELECT ride_id
FROM out.transient
WHERE
    (kind = 'tip-in' AND throttle_after_pct <= throttle_before_pct)
    OR (kind = 'lift-off' AND throttle_after_pct >= throttle_before_pct)
    OR kind NOT IN ('tip-in', 'lift-off');

-- check: every_movement_has_its_ride (fail)
-- A movement of a ride that is gone was made by nobody.
SELECT moved.ride_id
FROM out.transient AS moved
ANTI JOIN out.ride AS ride ON moved.ride_id = ride.ride_id;
