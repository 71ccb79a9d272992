-- question why_fuel: the stage that a suggested fuel change is for, and the rounds it rests on.
--
-- Grain:  one row per stage of the job up to it.
-- Takes:  $stage_id.
-- Nulls:  left_out_for of a stage that is used; reason where that code says all.
SELECT
    stage.stage_id,
    if(stage.stage_id = change.stage_id, 'this stage', 'earlier round') AS role,
    if(own.stage_no - stage.stage_no <= change.earlier_rounds, NULL, 'other map or parts')
        AS left_out_for,
    if(own.stage_no - stage.stage_no = change.earlier_rounds + 1, change.round_note, NULL)
        AS reason
FROM out.fuel_change AS change
INNER JOIN out.stage AS own ON change.stage_id = own.stage_id
INNER JOIN out.stage AS stage
    ON own.job_id = stage.job_id AND own.stage_no >= stage.stage_no
WHERE change.stage_id = $stage_id;
