-- question bytes_by_day: how many bytes came in on each day, the first day first.
--
-- Grain:  one row per day on which files came.
-- Takes:  nothing.
SELECT
    (received_at AT TIME ZONE 'UTC')::DATE AS received_on,
    sum(size_bytes)::BIGINT AS size_bytes
FROM out.file
WHERE received_at IS NOT NULL AND size_bytes IS NOT NULL
GROUP BY (received_at AT TIME ZONE 'UTC')::DATE
ORDER BY received_on ASC;
