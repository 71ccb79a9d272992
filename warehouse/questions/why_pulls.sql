-- question why_pulls: every pull of some stages, whether it counts, and the file it came from.
--
-- Grain:  one row per pull.
-- Takes:  $stage_ids.
-- Nulls:  left_out_for of a pull that counts; reason of one that belongs with the others; weight
--         of a pull that does not count.
SELECT
    pull.stage_id,
    coalesce(pull.started_at::DATE, session.run_on, stage.received_on) AS run_on,
    stage.job_id,
    stage.bike_id,
    stage.stage_name,
    pull.pull_no,
    CASE
        WHEN pull.set_aside IS NOT NULL THEN 'set aside'
        WHEN NOT pull.is_used THEN 'not usable'
    END AS left_out_for,
    level.odd IS NOT NULL AS is_odd,
    level.weight,
    pull.has_lambda,
    coalesce(pull.set_aside, pull.trouble, level.odd) AS reason,
    pull.file_name,
    left(pull.file_sha256, 12) AS sha256_start
FROM out.pull AS pull
INNER JOIN out.stage AS stage USING (stage_id)
LEFT JOIN out.session AS session USING (stage_id)
LEFT JOIN out.session_pull AS level USING (pull_id)
WHERE pull.stage_id IN (SELECT unnest($stage_ids))
ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no ASC, pull.pull_no ASC;
