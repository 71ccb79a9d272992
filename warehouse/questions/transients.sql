-- question transients: how many quick throttle movements of each kind and level there were, or why
-- not.
--
-- Grain:  one row per kind, outcome and level.
-- Takes:  $stage_id.
SELECT
    kind,
    CASE WHEN outcome = '' THEN level ELSE 'not judged: ' || outcome END AS level,
    count(*) AS movements,
    max(abs(depth_pct)) AS most_depth_pct,
    max(excursion_s) AS most_excursion_s
FROM out.transient
WHERE stage_id = $stage_id
GROUP BY kind, outcome, level
ORDER BY kind DESC, outcome <> '', movements DESC, level ASC;
