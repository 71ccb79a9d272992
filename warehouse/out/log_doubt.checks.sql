-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_doubt_says_why (fail)
-- A doubt that nobody can act on is noise.
SELECT file_sha256
FROM out.log_doubt
WHERE (reason ->> '$.code') IS NULL;
