-- question changes_in_quarter: what each job gave as a whole in a quarter: its last stage against
-- its first one, or the two furthest apart that were held against each other. Its steps, what was
-- run again unchanged, the control bike and what is held against an earlier job are no rows.
--
-- Grain:  one row per job_id.
-- Takes:  $quarter.
-- Nulls:  the gain where the air allows no verdict: alone in a list it would be read as one.
SELECT
    gain.bike_id,
    gain.job_id,
    stage.model_label,
    before.stage_name || ' → ' || stage.stage_name AS stages_named,
    gain.change_key,
    gain.change_kind,
    coalesce(mixture.level, 'unknown')
    || coalesce(', ' || mixture.level_not_excluded || ' not excluded', '') AS level_after,
    gain.run_on,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_pct) AS mean_gain_pct,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_lower_pct) AS mean_gain_lower_pct,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_upper_pct) AS mean_gain_upper_pct,
    gain.basis,
    gain.verdict,
    gain.is_pooled,
    gain.unlike_reason,
    gain.before_stage_id,
    gain.after_stage_id
FROM out.gain AS gain
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
LEFT JOIN out.stage_mixture AS mixture ON gain.after_stage_id = mixture.stage_id
WHERE
    stage.quarter_label = $quarter
    AND before.job_id = stage.job_id
    AND gain.change_kind <> 'nothing'
    AND NOT stage.is_control
QUALIFY
    row_number()
        OVER (PARTITION BY stage.job_id ORDER BY before.stage_no ASC, stage.stage_no DESC)
    = 1
ORDER BY gain.change_key, gain.change_kind, gain.bike_id, gain.job_id;
