-- question why_quarter: the stages that a figure of a quarter counts, or whose files it counts.
--
-- Grain:  one row per stage.
-- Takes:  $quarter, $figure.
-- Nulls:  left_out_for of a stage that is used; reason says nothing more.
WITH asked AS (
    SELECT $figure AS figure
),

back AS (
    SELECT DISTINCT job_id
    FROM out.comeback
    WHERE quarter_label = $quarter
)

SELECT
    stage.stage_id,
    'of the quarter' AS role,
    CASE
        WHEN asked.figure IN ('bikes', 'jobs', 'stages lean at warn or stop') AND stage.is_control
            THEN 'control bike'
        WHEN asked.figure = 'control sessions' AND NOT stage.is_control THEN 'no control bike'
        WHEN asked.figure = 'control sessions' AND session.stage_id IS NULL THEN 'no usable pull'
        WHEN
            asked.figure = 'stages lean at warn or stop'
            AND coalesce(mixture.level, '') NOT IN ('warn', 'stop') THEN 'not at warn or stop'
        WHEN asked.figure = 'comebacks within 60 days' AND back.job_id IS NULL THEN 'no comeback'
    END AS left_out_for,
    NULL AS reason
FROM asked
CROSS JOIN out.stage AS stage
LEFT JOIN out.session AS session ON stage.stage_id = session.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
LEFT JOIN back ON stage.job_id = back.job_id
WHERE stage.quarter_label = $quarter;
