-- question logger_changes: since when files of a layout come otherwise, the latest first.
--
-- Grain:  one row per layout, channel, watched and since_on.
-- Takes:  nothing. is_fresh: it lasts, and few files came since it began.
SELECT
    layout,
    since_on,
    noticed_on,
    until_on,
    files_since,
    told AS sentence,
    until_on IS NULL AND files_since <= 40 AS is_fresh
FROM out.logger_change
ORDER BY since_on DESC, layout ASC, channel ASC, watched ASC;
