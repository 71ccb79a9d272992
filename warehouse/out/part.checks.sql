-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_part_of_a_build_is_shown (fail)
-- A part that is not offered is typed again, and one part becomes two.
SELECT
    part.category,
    part.maker,
    part.part_name
FROM core.build_part AS part
ANTI JOIN out.part AS shown
    ON
        part.category = shown.category
        AND part.maker = shown.maker
        AND part.part_name = shown.part_name;

-- check: one_part_has_one_spelling (warn)
-- Two spellings of one part are two builds: what one teaches is lost on the other.
SELECT
    lower(regexp_replace(category || maker || part_name, '[^\pL\pN]', '', 'g')) AS plainly,
    count(*) AS spellings
FROM out.part
GROUP BY plainly
HAVING count(*) > 1;
