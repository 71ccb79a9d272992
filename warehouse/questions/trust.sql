-- question trust: how well the dyno repeats itself, as every interval uses it.
--
-- Grain:  one row, or none.
-- Takes:  nothing.
SELECT
    repeatability_share,
    repeatability_dof,
    repeatability_origin,
    remount_share,
    remount_dof,
    remount_pairs,
    remount_origin,
    is_remount_assumed,
    day_share,
    day_dof,
    day_origin,
    is_day_assumed,
    other_day_share,
    air_exponent_share,
    air_exponent_origin,
    default_told
FROM out.trust;
