-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_log_tells_what_was_rejected (fail)
-- A log without figures was not looked at, and its logger is watched with a hole.
SELECT file_sha256
FROM out.log_quality
WHERE (figures ->> '$.rejected')::DOUBLE IS NULL;
