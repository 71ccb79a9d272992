-- question why_dyno: the sessions that a verdict on the dyno rests on, and those it leaves out.
--
-- Grain:  one row per stage.
-- Takes:  $verdict_no.
-- Nulls:  left_out_for of a stage that is used; reason says nothing more.
WITH asked AS (
    SELECT
        *,
        told ->> '$.code' AS code
    FROM out.dyno_verdict
    WHERE verdict_no::VARCHAR = $verdict_no
),

-- What the verdict is about: one dyno, one control bike, or all of them.
named AS (
    SELECT DISTINCT
        check_run.dyno,
        check_run.bike_id
    FROM asked
    INNER JOIN out.dyno_check AS check_run
        ON
            asked.subject = check_run.dyno
            OR ends_with(asked.subject, ' ' || check_run.bike_id)
),

asked_of AS (
    SELECT
        any_value(asked.code) AS code,
        count(named.bike_id) AS names
    FROM asked
    LEFT JOIN named ON TRUE
)

SELECT
    stage.stage_id,
    if(coalesce(held.is_reference, FALSE), 'reference period', 'control session') AS role,
    CASE
        WHEN held.stage_id IS NOT NULL THEN NULL
        WHEN session.stage_id IS NULL THEN 'no usable pull'
        WHEN NOT session.is_corrected THEN 'not at reference air'
        ELSE 'not as it was at first'
    END AS left_out_for,
    NULL AS reason
FROM asked_of
INNER JOIN out.stage AS stage ON asked_of.code NOT IN ('scatter', 'weather was in doubt')
LEFT JOIN out.dyno_check AS held ON stage.stage_id = held.stage_id
LEFT JOIN out.session AS session ON stage.stage_id = session.stage_id
LEFT JOIN named
    ON
        stage.bike_id = named.bike_id
        -- A session that was not held may name no dyno: it could have been any.
        AND coalesce(held.dyno, stage.dyno, named.dyno) = named.dyno
WHERE stage.is_control AND (named.bike_id IS NOT NULL OR asked_of.names = 0)
UNION ALL
SELECT
    session.stage_id,
    'weather in doubt' AS role,
    NULL AS left_out_for,
    NULL AS reason
FROM asked
INNER JOIN out.session AS session ON asked.code = 'weather was in doubt' AND session.has_air_doubt;
