-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_stage_counts_its_cells (fail)
-- Coverage is the number of cells that can be listed.
SELECT line.stage_id
FROM out.stage_cruise AS line
LEFT JOIN out.cruise_cell AS cell ON line.stage_id = cell.stage_id
GROUP BY line.stage_id, line.cells
HAVING count(cell.stage_id) <> line.cells;

-- check: the_share_in_band_is_a_share (fail)
-- A share lies between 0 and 1, and needs steady time to be one of.
SELECT stage_id
FROM out.stage_cruise
WHERE in_band_share NOT BETWEEN 0 AND 1 OR (in_band_share IS NOT NULL AND steady_s <= 0);
