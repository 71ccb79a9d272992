-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_suggestion_counts_its_cells (fail)
-- The line says how many cells can be listed.
SELECT line.stage_id
FROM out.fuel_change AS line
LEFT JOIN out.fuel_change_cell AS cell ON line.stage_id = cell.stage_id
GROUP BY line.stage_id, line.cells_told
HAVING count(cell.stage_id) <> line.cells_told;

-- check: a_suggestion_has_evidence (fail)
-- Fuel is never suggested from nothing.
SELECT stage_id
FROM out.fuel_change
WHERE
    cells_told > 0
    AND earlier_rounds = 0
    AND part_throttle_readings + trim_readings + full_throttle_readings = 0;
