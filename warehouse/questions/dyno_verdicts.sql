-- question dyno_verdicts: the sentences on the dyno, in their order.
--
-- Grain:  one row per verdict_no.
-- Takes:  nothing.
SELECT
    verdict_no,
    subject,
    is_of_dyno,
    state,
    told AS sentence,
    figure
FROM out.dyno_verdict
ORDER BY verdict_no;
