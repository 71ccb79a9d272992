-- question trust: how well the dyno repeats itself, as every interval uses it.
--
-- Grain:  one row, or none.
-- Takes:  nothing.
SELECT
    repeatability_share,
    repeatability_dof,
    repeatability_origin,
    remount_share,
    remount_pairs,
    remount_origin
FROM out.trust;
