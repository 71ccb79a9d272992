-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: siblings_are_other_bikes_of_one_model (fail)
-- A bike among its own siblings hides its own fault; another generation is another engine.
SELECT
    sibling.bike_id,
    sibling.other_bike_id
FROM out.health_sibling AS sibling
LEFT JOIN core.bike AS own ON sibling.bike_id = own.bike_id
LEFT JOIN core.bike AS other ON sibling.other_bike_id = other.bike_id
WHERE
    sibling.bike_id = sibling.other_bike_id
    OR own.model_id IS DISTINCT FROM other.model_id;

-- check: the_siblings_listed_are_those_counted (fail)
-- The number that is told is the number in the list.
SELECT health.bike_id
FROM out.health AS health
LEFT JOIN out.health_sibling AS sibling ON health.bike_id = sibling.bike_id
GROUP BY health.bike_id, health.siblings, health.mixture_siblings
HAVING
    count(*) FILTER (WHERE sibling.is_power_sibling) <> health.siblings
    OR count(*) FILTER (WHERE sibling.is_mixture_sibling) <> health.mixture_siblings;

-- check: who_is_left_out_says_why (fail)
-- Without the reason nobody can tell a sibling from a stranger.
SELECT
    bike_id,
    other_bike_id
FROM out.health_sibling
WHERE (is_power_sibling AND is_mixture_sibling) <> (left_out = '[]');
