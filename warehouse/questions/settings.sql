-- question settings: all settings that the figures were made with, for a program to read.
--
-- Grain:  one row per setting, its value as JSON.
-- Takes:  nothing.
SELECT
    setting,
    setting_json
FROM out.setting
ORDER BY setting;
