-- question gain_curve: a gain over engine speed with its bands.
--
-- Grain:  one row per engine_speed_rpm.
-- Takes:  $gain_id.
SELECT
    engine_speed_rpm,
    before_w,
    gain_pct,
    lower_pct,
    upper_pct,
    whole_lower_pct,
    whole_upper_pct
FROM out.gain_curve
WHERE gain_id = $gain_id
ORDER BY engine_speed_rpm;
