-- question need_effects: what led to these stages and what led on from them gave, over the model's
-- bikes.
--
-- Grain:  one row per effect_id.
-- Takes:  $need_id.
WITH members AS (
    SELECT stage_id FROM out.need_member
    WHERE need_id = $need_id
),

touching AS (
    SELECT DISTINCT
        member.effect_id,
        gain.before_stage_id IN (SELECT members.stage_id FROM members) AS leads_on
    FROM out.pooled_member AS member
    INNER JOIN out.gain AS gain USING (gain_id)
    WHERE
        gain.before_stage_id IN (SELECT members.stage_id FROM members)
        OR gain.after_stage_id IN (SELECT members.stage_id FROM members)
)

SELECT
    touching.leads_on,
    effect.change_kind,
    effect.change_key,
    effect.figure,
    effect.bikes,
    effect.lower_pct,
    effect.upper_pct,
    effect.mean_pct,
    effect.next_lower_pct,
    effect.next_upper_pct,
    effect.measured_lower_pct,
    effect.measured_upper_pct,
    effect.borrowed_share
FROM out.pooled_effect AS effect
INNER JOIN touching USING (effect_id)
INNER JOIN out.remap_need AS need ON effect.model_id = need.model_id
WHERE need.need_id = $need_id
ORDER BY touching.leads_on DESC, effect.bikes DESC, effect.change_key ASC, effect.figure ASC;
