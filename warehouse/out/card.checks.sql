-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_card_that_came_is_shown (fail)
-- A corrected card never makes the one before it disappear.
SELECT
    card.job_folder,
    card.file_sha256
FROM raw.card AS card
ANTI JOIN out.card AS shown
    ON card.job_folder = shown.job_folder AND card.file_sha256 = shown.file_sha256;

-- check: one_card_is_in_force (fail)
-- Two cards in force would give a folder two jobs.
SELECT job_folder
FROM out.card
WHERE is_in_force
GROUP BY job_folder
HAVING count(*) > 1;
