-- question column_meanings: what every published column means and its unit.
--
-- Grain:  one row per table_name and column_name.
-- Takes:  nothing.
SELECT
    table_name,
    column_name,
    unit,
    meaning
FROM out.column_meaning
ORDER BY table_name, column_name;
