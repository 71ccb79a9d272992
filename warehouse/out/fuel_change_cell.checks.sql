-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_need_lies_in_its_interval (fail)
-- An interval beside its figure is another cell's.
SELECT stage_id
FROM out.fuel_change_cell
WHERE needed_pct NOT BETWEEN lower_pct AND upper_pct OR evidence_share NOT BETWEEN 0 AND 1;

-- check: a_guarded_cell_is_hardly_leaned (fail)
-- What feeds full throttle or a lean window is never made leaner by more than 2 % at once.
SELECT stage_id
FROM out.fuel_change_cell
WHERE is_guarded AND suggested_pct < -2.0;

-- check: no_cell_is_asked_for_beyond_belief (fail)
-- No setting allows more than 20 % of fuel in one round.
SELECT stage_id
FROM out.fuel_change_cell
WHERE suggested_pct NOT BETWEEN -10.0 AND 20.0;

-- check: every_cell_has_its_suggestion (fail)
-- A cell without its line has no evidence to show.
SELECT cell.stage_id
FROM out.fuel_change_cell AS cell
ANTI JOIN out.fuel_change AS line ON cell.stage_id = line.stage_id;
