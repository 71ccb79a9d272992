-- question quote_left_out: gains by a change that stand behind no quote, and why.
--
-- Grain:  one row per gain_id.
-- Takes:  $change_key.
SELECT
    gain.bike_id,
    stage.model_label,
    gain.run_on,
    gain.mean_gain_pct,
    gain.unlike_reason,
    CASE
        WHEN gain.unlike_reason <> '[]' THEN 'not like for like'
        WHEN stage.is_control THEN 'control bike'
        WHEN gain.basis = 'earlier job' THEN 'two jobs'
        ELSE 'counted once'
    END AS left_out_for
FROM out.gain AS gain
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
WHERE gain.change_key = $change_key AND NOT gain.is_pooled AND gain.change_kind <> 'nothing'
ORDER BY gain.run_on DESC, gain.gain_id DESC;
