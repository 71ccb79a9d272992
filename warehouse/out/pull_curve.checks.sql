-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: power_is_torque_times_speed (fail)
-- P = T·ω at the stated shaft; else one of the two is of another shaft or unit.
SELECT
    pull_id,
    engine_speed_rpm
FROM out.pull_curve
WHERE abs(torque_nm * engine_speed_rpm * pi() / 30 - power_w) > 1e-6 * abs(power_w);

-- check: only_pulls_with_a_sweep_have_a_curve (fail)
-- The curve of a pull that could not be read must not exist. One that was exported twice keeps its
-- curve, for the next copy to be known by; one that was broken off, for when the full ones go; one
-- that a person set aside, for when the card takes it back.
SELECT DISTINCT points.pull_id
FROM out.pull_curve AS points
LEFT JOIN out.pull AS pull
    ON
        points.pull_id = pull.pull_id
        AND (
            pull.is_used
            OR pull.trouble ->> '$.code' IN ('the same pull', 'broken off', 'set aside')
        )
WHERE pull.pull_id IS NULL;
