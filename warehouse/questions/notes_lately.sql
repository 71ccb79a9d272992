-- question notes_lately: what people wrote of late, each with the latest stage that it is about.
--
-- Grain:  one row per note_name; nothing that was taken back.
-- Takes:  $since and $day, the first and the last day.
-- Nulls:  what the note does not name; at_job_id and bike_id where it names nothing that is known.
WITH latest AS (
    SELECT
        about.note_name,
        max_by(stage.stage_id, (stage.received_on, stage.job_id, stage.stage_no)) AS stage_id
    FROM out.shop_note_stage AS about
    INNER JOIN out.stage AS stage ON about.stage_id = stage.stage_id
    GROUP BY about.note_name
)

SELECT
    said.note_name,
    said.noted_on,
    said.noted_by,
    said.note_text,
    said.job_id,
    said.stage_no,
    said.stage_name,
    said.maker,
    said.part_name,
    said.model_id,
    said.model_label,
    stage.job_id AS at_job_id,
    stage.bike_id
FROM out.shop_note AS said
LEFT JOIN latest ON said.note_name = latest.note_name
LEFT JOIN out.stage AS stage ON latest.stage_id = stage.stage_id
WHERE NOT said.is_taken_back AND said.noted_on BETWEEN $since AND $day
ORDER BY said.noted_on DESC, said.received_at DESC, said.note_name DESC;
