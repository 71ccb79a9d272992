-- question notes_of_need: what people wrote to the parts or the model of a combination, the latest
-- first; nothing that was taken back.
--
-- Grain:  one row per note_name.
-- Takes:  $need_id.
-- Nulls:  what the note does not name.
SELECT DISTINCT
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
    said.received_at
FROM out.remap_need AS need
INNER JOIN out.stage AS stage
    ON need.model_id = stage.model_id AND need.parts_key = stage.parts_key
INNER JOIN out.shop_note_stage AS about ON stage.stage_id = about.stage_id
INNER JOIN out.shop_note AS said ON about.note_name = said.note_name
WHERE need.need_id = $need_id AND said.job_id IS NULL AND NOT said.is_taken_back
ORDER BY said.noted_on DESC, said.received_at DESC, said.note_name DESC;
