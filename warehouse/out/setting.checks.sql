-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_setting_can_be_read (fail)
-- A page that cannot read a setting would fall back on the file of this minute.
SELECT setting
FROM out.setting
WHERE NOT json_valid(setting_json);
