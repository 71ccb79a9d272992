-- question health_siblings: the other bikes of a bike's model, those that count first, strongest
-- first.
--
-- Grain:  one row per other_bike_id.
-- Takes:  $bike_id.
SELECT
    sibling.other_bike_id,
    sibling.is_power_sibling,
    sibling.is_mixture_sibling,
    sibling.left_out,
    session.job_id,
    session.run_on,
    session.peak_power_w,
    session.peak_power_speed_rpm,
    mixture.torque_weighted_error_pct
FROM out.health_sibling AS sibling
LEFT JOIN out.session AS session ON sibling.other_stage_id = session.stage_id
LEFT JOIN out.stage_mixture AS mixture ON sibling.other_stage_id = mixture.stage_id
WHERE sibling.bike_id = $bike_id
ORDER BY
    sibling.is_power_sibling DESC, sibling.is_mixture_sibling DESC,
    session.peak_power_w DESC, sibling.other_bike_id ASC;
