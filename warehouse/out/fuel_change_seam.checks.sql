-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_seam_adds_fuel_and_not_much (fail)
-- Unseen cells are never leaned, and never get more than half of the most a setting allows.
SELECT stage_id
FROM out.fuel_change_seam
WHERE NOT (seam_pct > 0 AND seam_pct <= 10);

-- check: no_seam_stands_where_a_cell_is_told (fail)
-- What was seen counts; a seam there would be entered on top.
SELECT seam.stage_id
FROM out.fuel_change_seam AS seam
SEMI JOIN out.fuel_change_cell AS cell
    ON
        seam.stage_id = cell.stage_id
        AND seam.throttle_pct = cell.throttle_pct
        AND seam.speed_rpm = cell.speed_rpm;

-- check: every_seam_has_its_suggestion (fail)
-- A seam without its line belongs to no table.
SELECT seam.stage_id
FROM out.fuel_change_seam AS seam
ANTI JOIN out.fuel_change AS line ON seam.stage_id = line.stage_id;
