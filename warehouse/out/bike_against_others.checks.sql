-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: an_odd_bike_has_something_to_look_at (fail)
-- Who is told that a bike is odd is told where to look, also where nothing on record stands out.
SELECT bike_id
FROM out.bike_against_others
WHERE (odd_p < 0.05) = (look_at = '[]');

-- check: a_gain_behind_it_is_pooled (fail)
-- A bike is held against others only where its comparison is like for like.
SELECT found.bike_id
FROM out.bike_against_others AS found
LEFT JOIN out.gain AS gain ON found.gain_id = gain.gain_id AND gain.is_pooled
WHERE gain.gain_id IS NULL OR gain.change_key <> found.change_key;
