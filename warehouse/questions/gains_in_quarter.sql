-- question gains_in_quarter: each gain that was measured in a quarter, with the pulls behind it.
--
-- Grain:  one row per gain.
-- Takes:  $quarter.
-- Nulls:  the gain where the air allows no verdict: alone in a list it would be read as one.
SELECT
    gain.job_id,
    gain.bike_id,
    CASE WHEN before.job_id = stage.job_id THEN '' ELSE before.job_id || ' ' END
    || before.stage_name || ' → ' || stage.stage_name AS stages_named,
    gain.change_key,
    gain.change_label,
    stage.model_label,
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
    gain.pulls_before,
    gain.pulls_after,
    gain.change_kind,
    gain.before_stage_id,
    gain.after_stage_id
FROM out.gain AS gain
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
LEFT JOIN out.stage_mixture AS mixture ON gain.after_stage_id = mixture.stage_id
WHERE stage.quarter_label = $quarter
ORDER BY gain.change_key, gain.change_kind, gain.run_on, gain.gain_id;
