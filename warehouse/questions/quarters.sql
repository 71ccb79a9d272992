-- question quarters: the quarters in which something came in, latest first.
--
-- Grain:  one row per quarter_label.
-- Takes:  nothing.
SELECT DISTINCT quarter_label FROM out.stage
ORDER BY quarter_label DESC;
