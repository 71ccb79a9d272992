-- question plans: what comparisons of so many pulls could see, by how the bike is handled.
--
-- Grain:  one row per way of handling the bike and number of pulls.
-- Takes:  nothing.
SELECT
    is_put_back,
    handling,
    pulls,
    smallest_detectable_pct,
    floor_pct
FROM out.plan
ORDER BY is_put_back ASC, floor_pct ASC, handling ASC, pulls ASC;
