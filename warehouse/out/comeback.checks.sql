-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: each_comeback_is_of_a_bike_that_left_before (fail)
-- The job before must be an earlier one of the same bike.
SELECT comeback.job_id
FROM out.comeback AS comeback
LEFT JOIN core.job AS earlier
    ON
        comeback.earlier_job_id = earlier.job_id
        AND comeback.bike_id = earlier.bike_id
        AND comeback.received_on > earlier.received_on
WHERE earlier.job_id IS NULL;
