-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_note_in_force_is_shown_once (fail)
-- What somebody wrote down must be read by everyone, and once.
SELECT said.note_name
FROM raw.shop_note AS said
LEFT JOIN out.shop_note AS shown
    ON said.note_name = shown.note_name AND said.file_sha256 = shown.file_sha256
WHERE said.is_in_force
GROUP BY said.note_name
HAVING count(*) <> 1 OR count(shown.note_name) <> 1;

-- check: a_note_that_came_right_has_a_version_in_force (fail)
-- A slip in a note's next version must not take the one before out of sight.
SELECT note_name
FROM raw.shop_note
WHERE problems = '[]'
GROUP BY note_name
HAVING NOT bool_or(is_in_force);
