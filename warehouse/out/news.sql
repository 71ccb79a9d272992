-- out.news: what is worth telling, each on the day of the evidence by which it first was so.
--
-- Grain:  one row per news_id.
-- Reads:  out.stage, out.stage_mixture, out.session, out.dyno_event, out.dyno_check,
--         out.map_revision, out.map_revision_bike, out.map_revision_rank, out.lean_window,
--         out.remap_need, out.comeback, out.layout_gap, out.logger_change, out.file,
--         raw.reading, raw.arrival, out.pooled_effect, out.pooled_member, out.gain, out.shop_fact
-- Units:  size_pct: the figure that it is about [%].
-- Nulls:  size_pct where it is about no figure in percent.
-- Order:  none. A day is the evidence's own (run, taken in, received), never the clock's: news made
--         again from nothing are the same, and none is told as new twice.
CREATE OR REPLACE VIEW out.news AS
WITH model AS (
    SELECT
        model_id,
        min(model_label) AS model_label
    FROM out.stage
    GROUP BY model_id
),

last_stage AS (
    SELECT
        job_id,
        bike_id,
        received_on,
        stage_id,
        stage_name
    FROM out.stage
    WHERE NOT is_control
    QUALIFY row_number() OVER (PARTITION BY job_id ORDER BY stage_no DESC) = 1
),

leaving AS (
    -- How each bike left. It is over once the bike left again and that was read, whatever it
    -- showed: a later job that nobody logged at its end takes no alarm away.
    SELECT
        last_stage.job_id,
        last_stage.bike_id,
        last_stage.stage_id,
        last_stage.stage_name,
        mixture.level,
        mixture.level_not_excluded AS beyond,
        mixture.worst_lean_error_pct,
        mixture.worst_speed_rpm,
        mixture.worst_lower_pct,
        mixture.worst_upper_pct,
        mixture.level IN ('warn', 'stop') AS is_lean,
        coalesce(bool_or(mixture.worst_lean_error_pct IS NOT NULL) OVER (
            PARTITION BY last_stage.bike_id ORDER BY last_stage.received_on, last_stage.job_id
            ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING
        ), FALSE) AS is_over
    FROM last_stage
    LEFT JOIN out.stage_mixture AS mixture ON last_stage.stage_id = mixture.stage_id
),

left_lean AS (
    SELECT
        leaving.*,
        session.run_on,
        session.pulls_used
    FROM leaving
    INNER JOIN out.session AS session ON leaving.stage_id = session.stage_id
    WHERE
        coalesce(leaving.beyond, leaving.level) IN ('warn', 'stop')
        AND leaving.worst_lean_error_pct IS NOT NULL
),

warn AS (
    SELECT max(fact_value::DOUBLE) AS warn_pct
    FROM out.shop_fact
    WHERE fact = 'mixture.warn_pct'
),

noticed AS (
    -- A shift shows only sessions after it began: the chart's signal is the day it was seen.
    SELECT
        event.dyno_event,
        min(dyno_check.run_on) AS signal_on
    FROM out.dyno_event AS event
    INNER JOIN out.dyno_check AS dyno_check
        ON
            event.dyno = dyno_check.dyno
            AND event.first_on <= dyno_check.run_on
            AND dyno_check.signal <> '[]'
    WHERE event.event_kind IN ('shift', 'drift')
    GROUP BY event.dyno_event
),

carried AS (
    -- A bike shows the miss where its own window lies there; a map off to no one side, where it
    -- is lean itself.
    SELECT
        revision.map_id,
        session.run_on,
        bool_or(
            window_seen.stage_id IS NOT NULL
            OR (place.side IS NULL AND bike.level IN ('warn', 'stop'))
        ) AS is_missing
    FROM out.map_revision AS revision
    INNER JOIN out.map_revision_bike AS bike ON revision.map_id = bike.map_id
    INNER JOIN out.session AS session ON bike.stage_id = session.stage_id
    LEFT JOIN out.map_revision_rank AS place ON revision.map_id = place.map_id
    LEFT JOIN out.lean_window AS window_seen
        ON
            bike.stage_id = window_seen.stage_id
            AND place.side = window_seen.side
            AND place.worst_speed_rpm BETWEEN window_seen.from_rpm AND window_seen.to_rpm
    WHERE revision.is_missing AND revision.map_name <> 'stock'
    GROUP BY revision.map_id, bike.stage_id, session.run_on
),

by_then AS (
    SELECT
        map_id,
        run_on,
        avg(is_missing::INTEGER) OVER (PARTITION BY map_id ORDER BY run_on) >= 0.5 AS is_off
    FROM carried
),

off_since AS (
    SELECT
        map_id,
        run_on,
        coalesce(max(run_on) FILTER (NOT is_off) OVER (PARTITION BY map_id), DATE '0001-01-01')
            AS on_target_on
    FROM by_then
),

missing_since AS (
    SELECT
        map_id,
        coalesce(min(run_on) FILTER (run_on > on_target_on), max(run_on)) AS run_on
    FROM off_since
    GROUP BY map_id
),

came AS (
    SELECT
        file_sha256,
        max(received_at) AS received_at
    FROM raw.arrival
    GROUP BY file_sha256
),

read_since AS (
    -- All files of a layout that lacks something, each with whether it lacked that too.
    SELECT
        gap.layout,
        gap.gap_kind,
        gap.entry,
        came.received_at,
        list_contains(
            from_json(reading.facts -> 'gaps', '[{"gap_kind": "VARCHAR", "entry": "VARCHAR"}]'),
            struct_pack(gap_kind := gap.gap_kind, entry := gap.entry)
        ) AS is_lacking
    FROM out.layout_gap AS gap
    INNER JOIN raw.reading AS reading ON gap.layout = reading.layout
    INNER JOIN came ON reading.file_sha256 = came.file_sha256
    WHERE reading.state = 'read' AND gap.gap_kind NOT IN ('assumed', 'delay')
),

had_until AS (
    SELECT
        layout,
        gap_kind,
        entry,
        received_at,
        max(received_at) FILTER (NOT coalesce(is_lacking, FALSE))
            OVER (PARTITION BY layout, gap_kind, entry)
            AS had_at
    FROM read_since
),

lacking_since AS (
    SELECT
        layout,
        gap_kind,
        entry,
        min(received_at) FILTER (received_at > had_at OR had_at IS NULL) AS received_at,
        count(had_at) > 0 AS had_it
    FROM had_until
    GROUP BY layout, gap_kind, entry
),

had_change AS (
    SELECT
        member.effect_id,
        member.bike_id,
        min(gain.run_on) AS run_on
    FROM out.pooled_member AS member
    INNER JOIN out.gain AS gain ON member.gain_id = gain.gain_id
    GROUP BY member.effect_id, member.bike_id
),

third_bike AS (
    -- With fewer than three bikes of a model nearly all of the spread is assumed.
    SELECT
        effect_id,
        run_on
    FROM had_change
    QUALIFY row_number() OVER (PARTITION BY effect_id ORDER BY run_on, bike_id) = 3
)

SELECT
    'left ' || left_lean.job_id AS news_id,
    if(left_lean.is_lean, 'left lean', 'left perhaps lean') AS news_kind,
    if(left_lean.is_lean OR left_lean.beyond = 'stop', 'act', 'look') AS gravity,
    if(left_lean.worst_lower_pct >= warn.warn_pct, 'sure', 'likely') AS certainty,
    left_lean.worst_lean_error_pct AS size_pct,
    left_lean.run_on AS news_on,
    left_lean.is_over,
    'bike' AS page_address,
    json_object(
        'bike', left_lean.bike_id, 'job', left_lean.job_id, 'stage', left_lean.stage_id
    )::VARCHAR AS page_query,
    json_object(
        'code',
        if(left_lean.is_lean, 'left lean', 'left perhaps lean'),
        'bike',
        left_lean.bike_id,
        'job',
        left_lean.job_id,
        'stage',
        left_lean.stage_name,
        'level',
        left_lean.level,
        'beyond',
        left_lean.beyond,
        'error_pct',
        left_lean.worst_lean_error_pct,
        'upper_pct',
        left_lean.worst_upper_pct,
        'speed_rpm',
        left_lean.worst_speed_rpm,
        'is_over',
        left_lean.is_over
    )::VARCHAR AS told,
    json_object('code', 'rests on pulls', 'pulls', left_lean.pulls_used)::VARCHAR AS rests_on
FROM left_lean
CROSS JOIN warn
UNION ALL
SELECT
    'dyno ' || event.dyno_event AS news_id,
    'dyno' AS news_kind,
    if(event.event_kind IN ('shift', 'drift') AND event.last_on IS NULL, 'act', 'look') AS gravity,
    if(abs(event.event_pct) > event.event_half_pct, 'sure', 'likely') AS certainty,
    abs(event.event_pct) AS size_pct,
    coalesce(noticed.signal_on, event.first_on) AS news_on,
    event.last_on IS NOT NULL AS is_over,
    'dyno-trust' AS page_address,
    '{}' AS page_query,
    json_object('code', 'dyno news', 'dyno', event.dyno, 'event', event.told::JSON)::VARCHAR
        AS told,
    json_object('code', 'rests on sessions', 'sessions', event.sessions_affected)::VARCHAR
        AS rests_on
FROM out.dyno_event AS event
LEFT JOIN noticed ON event.dyno_event = noticed.dyno_event
UNION ALL
SELECT
    'map ' || revision.map_id AS news_id,
    'map misses' AS news_kind,
    if(revision.lean_bikes > 0, 'act', 'look') AS gravity,
    if(
        2 * coalesce(place.bikes_missing, revision.lean_bikes) > greatest(revision.bikes, 2),
        'sure', 'likely'
    ) AS certainty,
    place.most_error_pct AS size_pct,
    since.run_on AS news_on,
    NOT revision.is_newest AS is_over,
    'map-revisions' AS page_address,
    json_object('map', revision.map_id)::VARCHAR AS page_query,
    json_object(
        'code', if(place.side IS NULL, 'map leaves bikes lean', 'map misses'),
        'map', revision.map_label, 'model', revision.model_label, 'fuel', revision.fuel,
        'is_revised', revision.map_from IS NOT NULL, 'side', place.side,
        'error_pct', place.most_error_pct, 'speed_rpm', place.worst_speed_rpm,
        'bikes_missing', place.bikes_missing, 'lean_bikes', revision.lean_bikes,
        'bikes', revision.bikes, 'is_over', NOT revision.is_newest
    )::VARCHAR AS told,
    json_object('code', 'rests on bikes', 'bikes', revision.bikes)::VARCHAR AS rests_on
FROM out.map_revision AS revision
INNER JOIN missing_since AS since ON revision.map_id = since.map_id
LEFT JOIN out.map_revision_rank AS place ON revision.map_id = place.map_id
UNION ALL
SELECT
    'need ' || need.need_id AS news_id,
    'remap need' AS news_kind,
    'look' AS gravity,
    if(need.warn_lower_share >= 0.5, 'sure', 'likely') AS certainty,
    need.worst_error_pct AS size_pct,
    need.leading_since AS news_on,
    FALSE AS is_over,
    'remap-need' AS page_address,
    json_object('need', need.need_id)::VARCHAR AS page_query,
    json_object(
        'code', 'need leads', 'model', model.model_label, 'parts', need.parts_key,
        'map', need.map_label, 'fuel', need.fuel, 'lean_bikes', need.lean_bikes,
        'bikes', need.bikes
    )::VARCHAR AS told,
    json_object('code', 'rests on bikes', 'bikes', need.bikes)::VARCHAR AS rests_on
FROM out.remap_need AS need
INNER JOIN model ON need.model_id = model.model_id
-- More often lean than not; a leader of builds that need nothing is none.
WHERE need.leading_since IS NOT NULL AND need.warn_share >= 0.5
UNION ALL
SELECT
    'comeback ' || job_id AS news_id,
    'comeback' AS news_kind,
    'look' AS gravity,
    'sure' AS certainty,
    NULL AS size_pct,
    received_on AS news_on,
    FALSE AS is_over,
    'bike' AS page_address,
    json_object('bike', bike_id, 'job', job_id)::VARCHAR AS page_query,
    json_object(
        'code', 'comeback', 'bike', bike_id, 'days', days_between, 'job', job_id,
        'earlier', earlier_job_id
    )::VARCHAR AS told,
    json_object('code', 'rests on jobs', 'jobs', json_array(earlier_job_id, job_id))::VARCHAR
        AS rests_on
FROM out.comeback
UNION ALL
SELECT
    'logger ' || gap.layout || ': ' || gap.gap_kind || ': ' || gap.entry AS news_id,
    'logger' AS news_kind,
    'act' AS gravity,
    'sure' AS certainty,
    NULL AS size_pct,
    (coalesce(since.received_at, gap.last_received_at) AT TIME ZONE 'UTC')::DATE AS news_on,
    FALSE AS is_over,
    'what-came-in' AS page_address,
    '{}' AS page_query,
    json_object(
        'code',
        CASE gap.gap_kind
            WHEN 'column' THEN 'logger without column'
            WHEN 'head entry' THEN 'logger without entry'
            ELSE 'logger with another entry'
        END,
        'layout', gap.layout, 'entry', gap.entry, 'instead', gap.instead, 'had_it', since.had_it,
        'why', gap.gap_kind
    )::VARCHAR AS told,
    json_object('code', 'rests on files', 'files', gap.files)::VARCHAR AS rests_on
FROM out.layout_gap AS gap
INNER JOIN lacking_since AS since
    ON
        gap.layout = since.layout
        AND gap.gap_kind = since.gap_kind
        AND gap.entry = since.entry
UNION ALL
SELECT
    'watch ' || layout || ': ' || since_on AS news_id,
    'logger' AS news_kind,
    if(bool_or(watched IN ('seen', 'rejected', 'low', 'middle', 'high', 'top')), 'act', 'look')
        AS gravity,
    if(bool_or(watched IN ('rate', 'step', 'seen')), 'sure', 'likely') AS certainty,
    NULL AS size_pct,
    min(noticed_on) AS news_on,
    bool_and(until_on IS NOT NULL) AS is_over,
    'what-came-in' AS page_address,
    '{}' AS page_query,
    json_object(
        'code', 'logger changed', 'layout', layout, 'since', since_on,
        'changes', to_json(list(told::JSON ORDER BY channel, watched)),
        'is_over', bool_and(until_on IS NOT NULL)
    )::VARCHAR AS told,
    json_object('code', 'rests on files', 'files', max(files_since))::VARCHAR AS rests_on
FROM out.logger_change
GROUP BY layout, since_on
UNION ALL
SELECT
    'units ' || layout || ': ' || reason_code AS news_id,
    'logger' AS news_kind,
    'act' AS gravity,
    if(count(*) > 1, 'sure', 'likely') AS certainty,
    NULL AS size_pct,
    (min(received_at) AT TIME ZONE 'UTC')::DATE AS news_on,
    FALSE AS is_over,
    'what-came-in' AS page_address,
    '{}' AS page_query,
    json_object(
        'code', 'logger in other units', 'layout', layout, 'files', count(*),
        'first', arg_min(reason, (received_at, file_sha256))::JSON
    )::VARCHAR AS told,
    json_object('code', 'rests on files', 'files', count(*))::VARCHAR AS rests_on
FROM out.file
WHERE
    reason_code IN ('unit is wrong', 'unit differs')
    AND state IN ('refused', 'waiting')
    AND received_at IS NOT NULL
    AND layout IS NOT NULL
GROUP BY layout, reason_code
UNION ALL
SELECT
    'quote ' || effect.effect_id AS news_id,
    'quote' AS news_kind,
    'know' AS gravity,
    if(effect.next_lower_pct > 0 OR effect.next_upper_pct < 0, 'sure', 'likely') AS certainty,
    abs(effect.mean_pct) AS size_pct,
    third_bike.run_on AS news_on,
    FALSE AS is_over,
    'what-may-i-quote' AS page_address,
    json_object('model', effect.model_id, 'change', effect.change_key)::VARCHAR AS page_query,
    json_object(
        'code', 'enough to quote', 'model', model.model_label, 'change', effect.change_key,
        'mean_pct', effect.mean_pct, 'lower_pct', effect.next_lower_pct,
        'upper_pct', effect.next_upper_pct
    )::VARCHAR AS told,
    json_object('code', 'rests on bikes', 'bikes', effect.bikes)::VARCHAR AS rests_on
FROM out.pooled_effect AS effect
INNER JOIN third_bike ON effect.effect_id = third_bike.effect_id
INNER JOIN model ON effect.model_id = model.model_id
WHERE
    effect.scope = 'one model'
    AND effect.figure = 'mean gain over the riding range'
    AND effect.change_kind <> 'nothing';
