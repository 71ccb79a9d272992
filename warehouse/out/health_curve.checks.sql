-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_middle_half_holds_the_median (fail)
-- A band that leaves out its own middle is drawn wrong.
SELECT
    bike_id,
    engine_speed_rpm
FROM out.health_curve
WHERE
    usual_power_w NOT BETWEEN usual_power_lower_w AND usual_power_upper_w
    OR usual_lean_error_pct NOT BETWEEN usual_lean_error_lower_pct AND usual_lean_error_upper_pct;

-- check: what_is_usual_rests_on_five_siblings (fail)
-- Fewer do not tell what is usual.
SELECT
    bike_id,
    engine_speed_rpm
FROM out.health_curve
WHERE usual_power_w IS NOT NULL AND siblings < 5;

-- check: every_band_belongs_to_a_bike (fail)
-- The band of a bike that is gone must not be drawn.
SELECT DISTINCT points.bike_id
FROM out.health_curve AS points
ANTI JOIN out.health AS health ON points.bike_id = health.bike_id;
