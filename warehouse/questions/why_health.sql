-- question why_health: a bike's baseline, its siblings', and who is none with why not.
--
-- Grain:  one row per stage.
-- Takes:  $bike_id.
-- Nulls:  left_out_for of a stage that is used; reason where that code says all.
SELECT
    stage.stage_id,
    'this bike' AS role,
    if(stage.stage_id = health.stage_id, NULL, 'not the baseline') AS left_out_for,
    NULL AS reason
FROM out.health AS health
INNER JOIN out.stage AS stage ON health.bike_id = stage.bike_id
WHERE health.bike_id = $bike_id
UNION ALL
SELECT
    other_stage_id AS stage_id,
    CASE
        WHEN is_power_sibling AND is_mixture_sibling THEN 'sibling'
        WHEN is_mixture_sibling THEN 'sibling in mixture alone'
        ELSE 'sibling in power alone'
    END AS role,
    if(is_power_sibling OR is_mixture_sibling, NULL, 'no sibling') AS left_out_for,
    left_out AS reason
FROM out.health_sibling
WHERE bike_id = $bike_id AND other_stage_id IS NOT NULL;
