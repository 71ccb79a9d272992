-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_middle_lies_between_the_ends (fail)
-- A middle beyond an end is a fault of ours.
SELECT watch_id
FROM out.logger_channel
WHERE middle_value NOT BETWEEN low_value AND high_value;
