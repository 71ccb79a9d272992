-- question trust: how well the dyno repeats itself, as every interval uses it.
--
-- Grain:  one row, or none.
-- Takes:  nothing.
SELECT
    repeatability_share,
    repeatability_dof,
    repeatability_origin,
    remount_share,
    remount_origin,
    is_remount_assumed,
    day_share,
    day_origin,
    is_day_assumed,
    other_day_share,
    other_day_dof,
    air_exponent_share,
    air_exponent_origin
FROM out.trust;
