-- out.shop_note_stage: the stages that each note is about: of its job, or of bikes so built.
--
-- Grain:  one row per note_name and stage_id.
-- Reads:  raw.shop_note, core.stage, core.bike, core.build_part
CREATE OR REPLACE VIEW out.shop_note_stage AS
SELECT
    said.note_name,
    stage.stage_id
FROM raw.shop_note AS said
INNER JOIN core.stage AS stage
    ON
        said.job_id = stage.job_id
        AND (said.stage_no IS NULL OR said.stage_no = stage.stage_no)
WHERE said.is_in_force
UNION ALL
SELECT
    said.note_name,
    stage.stage_id
FROM raw.shop_note AS said
INNER JOIN core.bike AS bike ON said.model_id IS NULL OR said.model_id = bike.model_id
INNER JOIN core.stage AS stage ON bike.bike_id = stage.bike_id
LEFT JOIN core.build_part AS part
    ON
        stage.build_id = part.build_id
        AND said.category = part.category
        AND said.maker = part.maker
        AND said.part_name = part.part_name
WHERE
    said.is_in_force AND said.job_id IS NULL
    AND (said.category IS NULL OR part.category IS NOT NULL);
