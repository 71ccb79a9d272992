-- question healths: how each bike stands among its siblings, the latest baseline first.
--
-- Grain:  one row per bike_id.
-- Takes:  nothing.
WITH models AS (
    SELECT DISTINCT
        model_id,
        model_label
    FROM out.stage
)

SELECT
    health.bike_id,
    health.model_id,
    health.stage_id,
    health.run_on,
    health.power_health,
    health.mixture_health,
    health.siblings,
    health.mixture_siblings,
    health.peak_change_pct,
    health.peak_z,
    health.shape_distance_pct,
    health.shape_z,
    health.lean_change_pct,
    health.lean_z,
    health.has_air_doubt,
    health.told AS sentence,
    health.further,
    coalesce(models.model_label, health.model_id) AS model_label,
    stage.job_id,
    stage.stage_name,
    stage.fuel,
    session.peak_power_w,
    session.peak_power_speed_rpm,
    health.power_health NOT IN ('as its siblings', 'not compared')
    OR health.mixture_health NOT IN ('as its siblings', 'not compared') AS is_unusual
FROM out.health AS health
LEFT JOIN models USING (model_id)
LEFT JOIN out.session AS session ON health.stage_id = session.stage_id
LEFT JOIN out.stage AS stage ON health.stage_id = stage.stage_id
ORDER BY health.run_on DESC NULLS LAST, stage.job_id DESC, health.bike_id ASC;
