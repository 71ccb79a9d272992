-- out.shop_note: what people wrote to a job, a stage, a part or a model, in the version in force.
--
-- Grain:  one row per note_name.
-- Reads:  raw.shop_note, raw.arrival, out.shop_note_stage, core.job, core.stage,
--         core.model
-- Nulls:  what the note does not name; bike_id, stage_name and model_label where that is not known.
CREATE OR REPLACE VIEW out.shop_note AS
SELECT
    said.note_name,
    said.file_sha256,
    said.noted_on,
    said.noted_by,
    said.note_text,
    said.is_taken_back,
    said.job_id,
    said.stage_no,
    stage.stage_name,
    job.bike_id,
    said.category,
    said.maker,
    said.part_name,
    said.model_id,
    model.make || ' ' || model.model || ' (' || model.first_year || '–' || model.last_year || ')'
        AS model_label,
    arrival.received_at,
    EXISTS(
        SELECT 1 FROM out.shop_note_stage AS about
        WHERE about.note_name = said.note_name
    ) AS is_known
FROM raw.shop_note AS said
INNER JOIN raw.arrival AS arrival
    ON
        arrival.job_folder = '_notes'
        AND said.note_name = arrival.file_name
        AND said.file_sha256 = arrival.file_sha256
LEFT JOIN core.model AS model ON said.model_id = model.model_id
LEFT JOIN core.job AS job ON said.job_id = job.job_id
LEFT JOIN core.stage AS stage
    ON said.job_id = stage.job_id AND said.stage_no = stage.stage_no
WHERE said.is_in_force;
