-- question parts_of_job: the parts that the stages of a job have.
--
-- Grain:  one row per part.
-- Takes:  $job_id.
SELECT DISTINCT
    part.category,
    part.maker,
    part.part_name
FROM out.part AS part
INNER JOIN out.stage AS stage
    ON contains(stage.parts_label, part.maker || ' ' || part.part_name)
WHERE stage.job_id = $job_id
ORDER BY part.category, part.maker, part.part_name;
