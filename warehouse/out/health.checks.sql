-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_bike_that_was_run_is_told (fail)
-- A bike that is missing here would pass for a sound one.
SELECT DISTINCT session.bike_id
FROM out.session AS session
ANTI JOIN out.health AS health ON session.bike_id = health.bike_id;

-- check: a_baseline_is_a_standard_session_of_its_bike (fail)
-- Held against siblings is the bike as it was made: a part or a map would be called a fault.
SELECT health.bike_id
FROM out.health AS health
LEFT JOIN out.session AS session ON health.stage_id = session.stage_id
LEFT JOIN out.stage AS stage ON health.stage_id = stage.stage_id
WHERE
    health.stage_id IS NOT NULL
    AND (
        session.bike_id IS DISTINCT FROM health.bike_id
        OR stage.map_name IS DISTINCT FROM 'stock'
        OR stage.parts_key IS DISTINCT FROM 'standard parts'
    );

-- check: what_is_not_compared_says_why (fail)
-- Silence must not read as sound.
SELECT bike_id
FROM out.health
WHERE
    (power_health = 'not compared') <> (power_reason IS NOT NULL)
    OR (mixture_health = 'not compared') <> (mixture_reason IS NOT NULL);

-- check: what_is_compared_has_five_siblings (fail)
-- Fewer do not tell what is usual.
SELECT bike_id
FROM out.health
WHERE
    (power_health <> 'not compared' AND siblings < 5)
    OR (mixture_health <> 'not compared' AND mixture_siblings < 5);
