-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_cell_has_extent_and_evidence (fail)
-- A cell without width or without a sample is no evidence, and a share lies between 0 and 1.
SELECT
    stage_id,
    pressure_from_pa,
    speed_from_rpm
FROM out.pressure_cell
WHERE
    pressure_to_pa <= pressure_from_pa
    OR speed_to_rpm <= speed_from_rpm
    OR hits < 1
    OR dwell_s < 0
    OR outside_air_most_pct < 0
    OR in_band_share NOT BETWEEN 0 AND 1;

-- check: the_interval_holds_the_median (fail)
-- An interval beside its figure, or a mean place outside its cell, is another cell's.
SELECT
    stage_id,
    pressure_from_pa,
    speed_from_rpm
FROM out.pressure_cell
WHERE
    lambda_median NOT BETWEEN lambda_lower AND lambda_upper
    OR pressure_mean_pa NOT BETWEEN pressure_from_pa - 0.001 AND pressure_to_pa + 0.001
    OR speed_mean_rpm NOT BETWEEN speed_from_rpm - 0.001 AND speed_to_rpm + 0.001;

-- check: every_cell_has_its_stage_in_one_line (fail)
-- The line of the stage counts the cells: a cell outside it would be shown by no total.
SELECT cell.stage_id
FROM out.pressure_cell AS cell
ANTI JOIN out.stage_cruise AS line ON cell.stage_id = line.stage_id;

-- check: cell_mixture_burns (warn)
-- Leaner than 1.6 or richer than 0.6 does not burn: a dead probe or an air leak, not a mixture.
SELECT
    stage_id,
    pressure_from_pa,
    speed_from_rpm
FROM out.pressure_cell
WHERE lambda_median NOT BETWEEN 0.6 AND 1.6;
