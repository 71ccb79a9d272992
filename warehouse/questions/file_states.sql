-- question file_states: what became of each file, for a program to hold two snapshots together.
--
-- Grain:  one row per job_folder and file_name.
-- Takes:  nothing.
SELECT
    job_folder,
    file_name,
    file_sha256,
    state
FROM out.file
ORDER BY job_folder, file_name;
