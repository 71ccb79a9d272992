-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: only_control_bikes_watch_the_dyno (fail)
-- A customer's bike changes; only the one that is run unchanged says what the dyno does.
SELECT dyno_check.stage_id
FROM out.dyno_check AS dyno_check
LEFT JOIN core.bike AS bike
    ON dyno_check.bike_id = bike.bike_id AND bike.is_control
WHERE bike.bike_id IS NULL;

-- check: a_chart_has_room_for_sound_sessions (fail)
-- Limits without a width, or a sum that signals at once, would call every session out of control.
SELECT stage_id
FROM out.dyno_check
WHERE level_lower_pct >= level_upper_pct OR sum_limit <= 0;
