-- question find_subjects: all that can be found by name: bikes, jobs, models, parts, maps, fuels.
--
-- Grain:  one row per subject.
-- Takes:  nothing.
-- Nulls:  of a kind that has none: bike_id, job_id, stage_id, model_id, map_id; about.
WITH stages AS (
    SELECT
        *,
        row_number() OVER (
            PARTITION BY job_id ORDER BY stage_no DESC
        ) AS from_last
    FROM out.stage
)

SELECT
    'bike' AS kind,
    bike_id AS name,
    concat_ws(
        ' ', make, model, '(' || first_year || '–' || last_year || ')',
        'model year ' || model_year, if(is_control, 'control bike', NULL)
    ) AS about,
    bike_id,
    job_id,
    NULL AS stage_id,
    model_id,
    NULL AS map_id,
    received_on AS last_on
FROM out.bike
UNION ALL
SELECT
    'job' AS kind,
    job_id AS name,
    concat_ws(', ', bike_id, model_label, received_on::VARCHAR, nullif(job_folder, job_id))
        AS about,
    bike_id,
    job_id,
    stage_id,
    model_id,
    NULL AS map_id,
    received_on AS last_on
FROM stages
WHERE from_last = 1
UNION ALL
SELECT
    'model' AS kind,
    any_value(model_label) AS name,
    any_value(displacement_cc)::BIGINT || ' cm³' AS about,
    NULL AS bike_id,
    NULL AS job_id,
    NULL AS stage_id,
    model_id,
    NULL AS map_id,
    max(received_on) AS last_on
FROM stages
GROUP BY model_id
UNION ALL
SELECT
    'part' AS kind,
    maker || ' ' || part_name AS name,
    category AS about,
    NULL AS bike_id,
    NULL AS job_id,
    NULL AS stage_id,
    NULL AS model_id,
    NULL AS map_id,
    received_on AS last_on
FROM out.part
UNION ALL
SELECT
    'map' AS kind,
    stages.map_label AS name,
    stages.model_label || ', ' || stages.fuel AS about,
    NULL AS bike_id,
    NULL AS job_id,
    max_by(stages.stage_id, (stages.received_on, stages.job_id, stages.stage_no)) AS stage_id,
    stages.model_id,
    any_value(map.map_id) AS map_id,
    max(stages.received_on) AS last_on
FROM stages
LEFT JOIN out.map_revision AS map
    ON
        stages.model_id = map.model_id
        AND stages.map_label = map.map_label
        AND stages.fuel = map.fuel
WHERE stages.map_name <> 'stock'
GROUP BY stages.model_id, stages.model_label, stages.map_label, stages.fuel
UNION ALL
SELECT
    'fuel' AS kind,
    fuel AS name,
    count(DISTINCT bike_id) || if(count(DISTINCT bike_id) = 1, ' bike', ' bikes') AS about,
    NULL AS bike_id,
    NULL AS job_id,
    max_by(stage_id, (received_on, job_id, stage_no)) AS stage_id,
    NULL AS model_id,
    NULL AS map_id,
    max(received_on) AS last_on
FROM stages
GROUP BY fuel
ORDER BY kind ASC, last_on DESC, name ASC, about ASC;
