-- question shop_notes: what people wrote that touches some jobs, the latest first: to the job, to a
-- stage of it, or to a part or model of it.
--
-- Grain:  one row per at_job_id and note_name.
-- Takes:  $job_ids.
-- Nulls:  what the note does not name.
WITH reached AS (
    SELECT
        about.note_name,
        stage.job_id AS at_job_id,
        list(stage.stage_no ORDER BY stage.stage_no) AS stage_nos
    FROM out.shop_note_stage AS about
    INNER JOIN out.stage AS stage ON about.stage_id = stage.stage_id
    WHERE list_contains($job_ids, stage.job_id)
    GROUP BY about.note_name, stage.job_id
)

SELECT
    reached.at_job_id,
    reached.stage_nos,
    said.note_name,
    said.file_sha256,
    said.noted_on,
    said.noted_by,
    said.note_text,
    said.is_taken_back,
    said.job_id,
    said.stage_no,
    said.stage_name,
    said.category,
    said.maker,
    said.part_name,
    said.model_id,
    said.model_label
FROM reached
INNER JOIN out.shop_note AS said ON reached.note_name = said.note_name
ORDER BY
    said.noted_on DESC,
    said.received_at DESC,
    said.note_name DESC,
    reached.at_job_id ASC;
