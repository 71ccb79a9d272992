-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_note_is_about_a_stage_once (fail)
-- A note told twice beside one stage would look like two.
SELECT note_name
FROM out.shop_note_stage
GROUP BY note_name, stage_id
HAVING count(*) > 1;
