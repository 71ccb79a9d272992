-- question shop_facts: the settings that the figures were made with.
--
-- Grain:  one row per fact.
-- Takes:  nothing.
SELECT
    fact,
    fact_value,
    meaning
FROM out.shop_fact
ORDER BY fact;
