-- question uncorrected_stages: those of some stages whose power stands as measured.
--
-- Grain:  one row per stage_id.
-- Takes:  $stage_ids.
SELECT stage_id FROM out.session
WHERE list_contains($stage_ids, stage_id) AND NOT is_corrected;
