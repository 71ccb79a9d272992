-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_bike_of_the_book_is_shown (fail)
-- A bike that vanished here would be entered a second time under another reference.
SELECT bike.bike_id
FROM core.bike AS bike
ANTI JOIN out.bike AS shown ON bike.bike_id = shown.bike_id;
