-- question why_trust: the sessions that one part of the dyno's scatter is learnt from, or not.
--
-- Grain:  one row per stage that has pulls.
-- Takes:  $part: pull-to-pull, strapping-down or another-day.
-- Nulls:  left_out_for of a stage that is used; reason says nothing more.
WITH doubted AS (
    SELECT DISTINCT stage_id
    FROM out.pull
    WHERE file_sha256 IN (SELECT log_doubt.file_sha256 FROM out.log_doubt AS log_doubt)
),

pulled AS (
    SELECT DISTINCT stage_id FROM out.pull
),

judged AS (
    SELECT
        pulled.stage_id,
        stage.is_control,
        session.repeatability_share,
        CASE
            WHEN session.stage_id IS NULL THEN 'no usable pull'
            WHEN $part = 'pull-to-pull' THEN NULL
            WHEN NOT session.is_corrected THEN 'not at reference air'
            WHEN session.has_air_doubt THEN 'weather in doubt'
            WHEN doubted.stage_id IS NOT NULL THEN 'log in doubt'
        END AS unsound,
        hash(
            stage.bike_id, stage.build_id, stage.gear, stage.dyno, setup.tyre
        ) AS state_of_bike
    FROM pulled
    INNER JOIN out.stage AS stage ON pulled.stage_id = stage.stage_id
    INNER JOIN out.stage_setup AS setup ON pulled.stage_id = setup.stage_id
    LEFT JOIN out.session AS session ON pulled.stage_id = session.stage_id
    LEFT JOIN doubted ON pulled.stage_id = doubted.stage_id
)

SELECT
    stage_id,
    CASE
        WHEN is_control THEN 'control session'
        WHEN $part = 'pull-to-pull' THEN 'session'
        ELSE 'unchanged repeat'
    END AS role,
    CASE
        WHEN unsound IS NOT NULL THEN unsound
        WHEN $part = 'pull-to-pull' AND repeatability_share IS NULL THEN 'one pull alone'
        WHEN $part = 'pull-to-pull' THEN NULL
        WHEN count(*) FILTER (WHERE unsound IS NULL) OVER (PARTITION BY state_of_bike) < 2
            THEN 'never repeated unchanged'
    END AS left_out_for,
    NULL AS reason
FROM judged;
