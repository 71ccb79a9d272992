-- question sessions_of_bike: the sessions of a bike, latest first.
--
-- Grain:  one row per stage_id.
-- Takes:  $bike_id.
-- Nulls:  uncorrected_reason where the power is at the reference air.
WITH without_weather AS (
    SELECT DISTINCT stage_id
    FROM out.pull
    WHERE
        ambient_temp_k IS NULL
        AND ambient_pressure_pa IS NULL
        AND ambient_humidity_pct IS NULL
)

SELECT
    session.stage_id,
    session.job_id,
    session.peak_power_w,
    session.peak_power_speed_rpm,
    session.reference_air,
    session.is_corrected,
    session.is_peak_reached,
    session.has_air_doubt,
    session.notes,
    stage.stage_name,
    CASE
        WHEN session.is_corrected THEN NULL
        WHEN bike.induction = 'forced' THEN 'forced induction'
        WHEN without_weather.stage_id IS NOT NULL THEN 'no weather'
        ELSE 'partly'
    END AS uncorrected_reason
FROM out.session AS session
INNER JOIN out.stage AS stage ON session.stage_id = stage.stage_id
INNER JOIN out.bike AS bike ON session.bike_id = bike.bike_id
LEFT JOIN without_weather ON session.stage_id = without_weather.stage_id
WHERE session.bike_id = $bike_id
ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_no DESC;
