-- question notes_in_quarter: what people wrote in a quarter, day by day; nothing taken back.
--
-- Grain:  one row per note_name.
-- Takes:  $quarter.
-- Nulls:  what the note does not name.
SELECT
    note_name,
    noted_on,
    noted_by,
    note_text,
    job_id,
    stage_no,
    stage_name,
    bike_id,
    maker,
    part_name,
    model_id,
    model_label
FROM out.shop_note
WHERE year(noted_on) || ' Q' || quarter(noted_on) = $quarter AND NOT is_taken_back
ORDER BY noted_on, received_at, note_name;
