-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: bands_hold_their_curve (fail)
-- The band of the whole curve is never narrower than that of one speed, and both hold the gain.
SELECT
    gain_id,
    engine_speed_rpm
FROM out.gain_curve
WHERE
    gain_pct NOT BETWEEN lower_pct AND upper_pct
    OR whole_lower_pct > lower_pct + 1e-9
    OR whole_upper_pct < upper_pct - 1e-9;

-- check: every_gain_has_its_curve (fail)
-- A gain that cannot be seen over engine speed cannot be judged.
SELECT gain.gain_id
FROM out.gain AS gain
ANTI JOIN out.gain_curve AS points ON gain.gain_id = points.gain_id
WHERE gain.verdict <> 'cannot be told: no air';
