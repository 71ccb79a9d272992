-- question remount_regions: what strapping down again adds in each region of speed.
--
-- Grain:  one row per region of speed.
-- Takes:  nothing.
SELECT
    from_peak_speed_share,
    to_peak_speed_share,
    remount_share,
    remount_pairs,
    remount_origin
FROM out.remount_region
ORDER BY from_peak_speed_share;
