-- question stages_with_parts: for some parts the stage that had each last.
--
-- Grain:  one row per part that a stage has.
-- Takes:  $parts: each by maker and name.
WITH asked AS (
    SELECT unnest($parts) AS part
)

SELECT
    asked.part,
    max_by(stage.stage_id, (stage.received_on, stage.job_id, stage.stage_no)) AS stage_id
FROM asked
INNER JOIN out.stage AS stage ON contains(stage.parts_label, asked.part)
GROUP BY asked.part;
