-- question why_figures: the figures that have an address of their own, with value and range.
--
-- Grain:  one row per address; a gain against the stage next before has a short one beside.
-- Takes:  $text: an address, or a kind and key with a blank between; '' for all figures.
-- Units:  figure_value, lower and upper in percent, but for shares of 1 and counts: why.toml says.
-- Nulls:  figure_value, lower, upper and verdict where a figure has none.
WITH gains AS (
    SELECT
        gain.*,
        row_number() OVER (
            PARTITION BY gain.after_stage_id
            ORDER BY
                before.job_id = gain.job_id DESC, before.received_on DESC, before.stage_no DESC,
                gain.gain_id ASC
        ) AS nearness
    FROM out.gain AS gain
    INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
),

effects AS (
    SELECT
        *,
        if(figure = 'peak against peak', 'quote-peak', 'quote') AS kind
    FROM out.pooled_effect
),

parts AS (
    SELECT
        unnest(['pull-to-pull', 'strapping-down', 'another-day']) AS name,
        unnest([repeatability_share, remount_share, day_share]) AS share,
        unnest([is_repeatability_assumed, is_remount_assumed, is_day_assumed]) AS is_assumed
    FROM out.trust
),

figures AS (
    SELECT
        'gain' AS kind,
        'gain:' || before_stage_id || '..' || after_stage_id AS figure,
        gain_id AS key,
        mean_gain_pct AS figure_value,
        mean_gain_lower_pct AS lower,
        mean_gain_upper_pct AS upper,
        verdict,
        run_on AS last_on
    FROM gains
    UNION ALL
    SELECT
        'gain' AS kind,
        'gain:' || after_stage_id AS figure,
        gain_id AS key,
        mean_gain_pct AS figure_value,
        mean_gain_lower_pct AS lower,
        mean_gain_upper_pct AS upper,
        verdict,
        run_on AS last_on
    FROM gains
    WHERE nearness = 1
    UNION ALL
    SELECT
        'lean' AS kind,
        'lean:' || mixture.stage_id AS figure,
        mixture.stage_id AS key,
        mixture.worst_lean_error_pct AS figure_value,
        mixture.worst_lower_pct AS lower,
        mixture.worst_upper_pct AS upper,
        mixture.level AS verdict,
        stage.received_on AS last_on
    FROM out.stage_mixture AS mixture
    INNER JOIN out.stage AS stage USING (stage_id)
    UNION ALL
    SELECT
        'health' AS kind,
        'health:' || bike_id AS figure,
        bike_id AS key,
        peak_change_pct AS figure_value,
        NULL AS lower,
        NULL AS upper,
        'power ' || power_health || ', mixture ' || mixture_health AS verdict,
        run_on AS last_on
    FROM out.health
    UNION ALL
    SELECT
        'need' AS kind,
        'need:' || concat_ws('/', model_id, parts_key, map_label, fuel) AS figure,
        need_id AS key,
        warn_share AS figure_value,
        warn_lower_share AS lower,
        warn_upper_share AS upper,
        NULL AS verdict,
        NULL AS last_on
    FROM out.remap_need
    UNION ALL
    SELECT
        kind,
        kind || ':' || coalesce(model_id, 'any model') || '/' || change_key AS figure,
        effect_id AS key,
        mean_pct AS figure_value,
        next_lower_pct AS lower,
        next_upper_pct AS upper,
        NULL AS verdict,
        NULL AS last_on
    FROM effects
    UNION ALL
    SELECT
        'map' AS kind,
        'map:' || concat_ws(
            '/',
            map.model_id,
            map.map_label || if(map.map_name = 'stock', ' on ' || map.parts_seen, ''),
            map.fuel
        ) AS figure,
        map.map_id AS key,
        ranked.most_error_pct AS figure_value,
        NULL AS lower,
        NULL AS upper,
        if(map.is_missing, 'misses', 'on target') AS verdict,
        NULL AS last_on
    FROM out.map_revision AS map
    INNER JOIN out.map_revision_rank AS ranked USING (map_id)
    UNION ALL
    SELECT
        'dyno' AS kind,
        'dyno:' || subject AS figure,
        verdict_no::VARCHAR AS key,
        figure AS figure_value,
        figure_lower AS lower,
        figure_upper AS upper,
        state AS verdict,
        NULL AS last_on
    FROM out.dyno_verdict
    UNION ALL
    SELECT
        'trust' AS kind,
        'trust:' || part.name AS figure,
        part.name AS key,
        part.share AS figure_value,
        NULL AS lower,
        NULL AS upper,
        if(part.is_assumed, 'assumed', 'measured') AS verdict,
        NULL AS last_on
    FROM parts AS part
    UNION ALL
    SELECT
        'quarter' AS kind,
        'quarter:' || replace(quarter_label, ' ', '-') || ':' || replace(figure, ' ', '-')
            AS figure,
        quarter_label || ': ' || figure AS key,
        figure_value,
        NULL AS lower,
        NULL AS upper,
        NULL AS verdict,
        NULL AS last_on
    FROM out.quarter_figure
    UNION ALL
    SELECT
        'expected' AS kind,
        'expected:' || concat_ws('/', model_id, parts_key, map_label, fuel) AS figure,
        expected_id AS key,
        worst_error_pct AS figure_value,
        worst_lower_pct AS lower,
        worst_upper_pct AS upper,
        NULL AS verdict,
        NULL AS last_on
    FROM out.expected_mixture
    UNION ALL
    SELECT
        'fuel' AS kind,
        'fuel:' || change.stage_id AS figure,
        change.stage_id AS key,
        change.most_change_pct AS figure_value,
        NULL AS lower,
        NULL AS upper,
        NULL AS verdict,
        stage.received_on AS last_on
    FROM out.fuel_change AS change
    INNER JOIN out.stage AS stage USING (stage_id)
    UNION ALL
    SELECT
        'alike' AS kind,
        'alike:' || likest.stage_id AS figure,
        likest.stage_id AS key,
        likest.similarity_share AS figure_value,
        NULL AS lower,
        NULL AS upper,
        NULL AS verdict,
        stage.received_on AS last_on
    FROM out.similar_build AS likest
    INNER JOIN out.stage AS stage USING (stage_id)
    WHERE likest.likeness_rank = 1
),

-- Names are people's: two keys may read alike, and then the key stands behind.
told AS (
    SELECT
        * EXCLUDE (figure),
        figure || if(count(*) OVER (PARTITION BY figure) > 1, '#' || key, '') AS figure
    FROM figures
)

SELECT
    kind,
    figure,
    key,
    figure_value,
    lower,
    upper,
    verdict
FROM told
WHERE $text = '' OR figure = $text OR kind || ' ' || key = $text
-- The long address of a gain first: it names both ends.
ORDER BY kind ASC, last_on DESC, length(figure) DESC, figure ASC;
