-- question jobs_out: the jobs that left the shop with a change of a card, and the way back.
--
-- Grain:  one row per job folder. as_it_was is the folder's own card before, where that changed.
-- Takes:  nothing.
SELECT
    job_folder,
    reason::JSON ->> 'job' AS job_id,
    reason::JSON ->> 'as_it_was' AS as_it_was,
    reason,
    reason AS remedy
FROM out.file
WHERE reason_code = 'job out of the shop' AND state = 'refused'
ORDER BY job_folder ASC;
