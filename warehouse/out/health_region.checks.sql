-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_region_has_extent_and_siblings (fail)
-- What lasts over less than 300 rpm is a wiggle, and fewer than five siblings tell nothing.
SELECT
    bike_id,
    quantity,
    from_rpm
FROM out.health_region
WHERE to_rpm - from_rpm < 300 OR siblings < 5 OR sign(change_pct) <> sign(region_z);

-- check: a_region_and_its_word_agree (fail)
-- Low where power is below the siblings', high where above; leaner and richer alike; and a
-- stretch of the shape only where the shape is what stands out.
SELECT
    region.bike_id,
    region.quantity,
    region.from_rpm
FROM out.health_region AS region
LEFT JOIN out.health AS health ON region.bike_id = health.bike_id
WHERE
    CASE
        WHEN region.quantity = 'power' AND region.change_pct < 0
            THEN health.power_health NOT IN ('low', 'low and high')
        WHEN region.quantity = 'power'
            THEN health.power_health NOT IN ('high', 'low and high')
        WHEN region.quantity = 'shape'
            THEN health.power_health <> 'another shape'
        WHEN region.change_pct < 0
            THEN health.mixture_health NOT IN ('richer', 'richer and leaner')
        ELSE health.mixture_health NOT IN ('leaner', 'richer and leaner')
    END
    OR health.bike_id IS NULL;
