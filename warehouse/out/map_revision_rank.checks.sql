-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_map_has_one_rank (fail)
-- A map without a rank would be shown nowhere.
SELECT line.map_id
FROM out.map_revision AS line
LEFT JOIN out.map_revision_rank AS ranked ON line.map_id = ranked.map_id
GROUP BY line.map_id
HAVING count(ranked.map_id) <> 1;

-- check: what_misses_comes_before_what_does_not (fail)
-- The page and the terminal tell the first ones only.
SELECT line.map_id
FROM out.map_revision AS line
INNER JOIN out.map_revision_rank AS ranked ON line.map_id = ranked.map_id
WHERE line.is_missing AND ranked.map_rank > (
    SELECT count(*)
    FROM out.map_revision AS missed
    WHERE missed.is_missing
);
