-- question to_share: what each change gave on each bike, with what it was measured under.
--
-- Grain:  one row per bike_id, dyno, change_key, parts, fuel, air_state and mounting.
-- Takes:  nothing. Only gains that stand behind the shop's own quotes; several of a bike are
--         weighted by the inverse of their variance. parts holds maker and name of each part that
--         the change fitted, in a list.
WITH fitted AS (
    SELECT
        gain.gain_id,
        list(part.maker || ' ' || part.part_name ORDER BY part.maker, part.part_name) AS parts
    FROM out.gain AS gain
    INNER JOIN out.part AS part
        ON list_contains(
            string_split(gain.change_label, '; '),
            '+ ' || part.category || ': ' || part.maker || ' ' || part.part_name
        )
    GROUP BY gain.gain_id
),

one AS (
    SELECT
        gain.bike_id,
        coalesce(stage.dyno, '') AS dyno,
        gain.model_id,
        gain.change_key,
        fitted.parts,
        stage.fuel,
        session.reference_air,
        gain.air_state,
        CASE
            WHEN gain.again_stage_id IS NOT NULL THEN 'put back'
            WHEN budget.gain_id IS NOT NULL THEN 'taken off'
            ELSE 'stayed strapped'
        END AS mounting,
        gain.run_on,
        mixture.level,
        gain.log_mean_gain,
        gain.log_mean_gain_sd ^ 2 AS mean_variance,
        gain.log_peak_gain,
        gain.log_peak_gain_sd ^ 2 AS peak_variance
    FROM out.gain AS gain
    INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
    INNER JOIN out.session AS session ON gain.after_stage_id = session.stage_id
    LEFT JOIN out.stage_mixture AS mixture ON gain.after_stage_id = mixture.stage_id
    LEFT JOIN fitted ON gain.gain_id = fitted.gain_id
    LEFT JOIN out.gain_budget AS budget
        ON gain.gain_id = budget.gain_id AND budget.component = 'remounting'
    WHERE gain.is_pooled
)

SELECT
    bike_id,
    dyno,
    model_id,
    change_key,
    parts,
    fuel,
    reference_air,
    air_state,
    mounting,
    max(run_on) AS run_on,
    arg_max(level, run_on) AS level,
    sum(log_mean_gain / mean_variance) / sum(1 / mean_variance) AS log_mean_gain,
    1 / sum(1 / mean_variance) AS mean_gain_variance,
    sum(log_peak_gain / peak_variance) / sum(1 / peak_variance) AS log_peak_gain,
    1 / sum(1 / peak_variance) AS peak_gain_variance
FROM one
GROUP BY ALL
ORDER BY ALL;
