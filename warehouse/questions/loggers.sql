-- question loggers: what the last files of each layout show of its logger, channel by channel.
--
-- Grain:  one row per layout and channel.
-- Takes:  nothing.
WITH latest AS (
    SELECT *
    FROM out.logger
    QUALIFY row_number() OVER (
        PARTITION BY layout ORDER BY split_part(watch_id, '/', -1)::BIGINT DESC
    ) = 1
)

SELECT
    latest.layout,
    latest.rate_hz,
    latest.rejected_share,
    channel.channel,
    channel.seen_share,
    channel.low_value,
    channel.middle_value,
    channel.high_value,
    channel.step_value,
    channel.held_share
FROM latest
INNER JOIN out.logger_channel AS channel ON latest.watch_id = channel.watch_id
ORDER BY latest.layout ASC, channel.channel ASC;
