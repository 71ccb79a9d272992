-- question gain_budget: what the uncertainty of a mean gain is made of, the greatest part first.
--
-- Grain:  one row per component.
-- Takes:  $gain_id.
SELECT
    if(component = 'remounting', 'strapping down', component) AS component,
    sd_pct,
    dof,
    origin,
    share_of_variance,
    is_assumed
FROM out.gain_budget
WHERE gain_id = $gain_id
ORDER BY share_of_variance DESC, component ASC;
