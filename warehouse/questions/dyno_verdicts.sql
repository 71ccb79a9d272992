-- question dyno_verdicts: the sentences on the dyno, in their order.
--
-- Grain:  one row per verdict_no.
-- Takes:  nothing.
-- Nulls:  trust_part, the part of the scatter that a verdict is of, where it is of something else.
SELECT
    verdict_no,
    subject,
    is_of_dyno,
    state,
    told AS sentence,
    figure,
    CASE told ->> '$.part'
        WHEN 'repeatability' THEN 'pull-to-pull'
        WHEN 'remount' THEN 'strapping-down'
        WHEN 'day' THEN 'another-day'
    END AS trust_part
FROM out.dyno_verdict
ORDER BY verdict_no;
