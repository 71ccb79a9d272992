-- question dyno_verdicts: the sentences on the dyno, in their order.
--
-- Grain:  one row per verdict_no.
-- Takes:  nothing.
-- Nulls:  trust_part, the part of the scatter that a verdict is of, where it is of something else;
--         control_needed but of a dyno that no control bike watches; control_sessions of what is no
--         dyno: sound sessions of the control bike run most on it, in the build run most.
WITH
per_build AS (
    SELECT
        coalesce(nullif(stage.dyno, ''), 'the dyno') AS subject,
        count(*) AS sessions
    FROM out.session AS run
    INNER JOIN out.stage AS stage ON run.stage_id = stage.stage_id
    WHERE stage.is_control AND run.is_corrected AND NOT run.has_air_doubt
    GROUP BY stage.bike_id, stage.dyno, stage.parts_key, stage.map_label, stage.fuel
),

per_dyno AS (
    SELECT
        subject,
        max(sessions) AS sessions
    FROM per_build
    GROUP BY subject
)

SELECT
    verdict.verdict_no,
    verdict.subject,
    verdict.is_of_dyno,
    verdict.state,
    verdict.told AS sentence,
    verdict.figure,
    CASE verdict.told ->> '$.part'
        WHEN 'repeatability' THEN 'pull-to-pull'
        WHEN 'remount' THEN 'strapping-down'
        WHEN 'day' THEN 'another-day'
    END AS trust_part,
    if(verdict.is_of_dyno, coalesce(per_dyno.sessions, 0), NULL) AS control_sessions,
    if(verdict.is_of_dyno, (verdict.told::JSON ->> '$.needed')::BIGINT, NULL) AS control_needed
FROM out.dyno_verdict AS verdict
LEFT JOIN per_dyno ON verdict.subject = per_dyno.subject
ORDER BY verdict.verdict_no;
