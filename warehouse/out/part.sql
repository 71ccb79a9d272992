-- out.part: every part that a job card in force names, so that one part keeps one spelling.
--
-- Grain:  one row per category, maker and part_name.
-- Reads:  core.build_part, core.stage, core.job
CREATE OR REPLACE VIEW out.part AS
SELECT
    part.category,
    part.maker,
    part.part_name,
    count(DISTINCT stage.bike_id) AS bikes,
    max(job.received_on) AS received_on
FROM core.build_part AS part
INNER JOIN core.stage AS stage ON part.build_id = stage.build_id
INNER JOIN core.job AS job ON stage.job_id = job.job_id
GROUP BY part.category, part.maker, part.part_name;
