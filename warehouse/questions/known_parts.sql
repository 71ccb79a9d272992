-- question known_parts: the parts that cards name, those on most bikes first.
--
-- Grain:  one row per part.
-- Takes:  nothing.
SELECT
    category,
    maker,
    part_name,
    bikes,
    received_on
FROM out.part
ORDER BY bikes DESC, category ASC, maker ASC, part_name ASC;
