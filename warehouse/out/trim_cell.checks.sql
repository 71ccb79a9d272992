-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_trim_cell_has_extent_and_an_interval (fail)
-- A cell without a sample is no evidence, and an interval holds its figure.
SELECT
    stage_id,
    throttle_from_pct,
    speed_from_rpm
FROM out.trim_cell
WHERE
    throttle_to_pct <= throttle_from_pct
    OR speed_to_rpm <= speed_from_rpm
    OR hits < 1
    OR trim_pct NOT BETWEEN trim_lower_pct AND trim_upper_pct;

-- check: trims_come_from_closed_loop (fail)
-- In open loop a trim stands still and says nothing of the map.
SELECT trims.stage_id
FROM out.trim_cell AS trims
INNER JOIN out.stage_cruise AS line ON trims.stage_id = line.stage_id
WHERE line.closed_loop_s <= 0;

-- check: trims_are_within_reach (warn)
-- Beyond a quarter either way an ECU gives up: a leak, a dead sensor or another fuel.
SELECT
    stage_id,
    throttle_from_pct,
    speed_from_rpm
FROM out.trim_cell
WHERE trim_pct NOT BETWEEN -25 AND 25;
