-- Hourly temperature of each place by its thermometers, the nodes in the view `thermometers` (node_no, place), each
-- freed of its own offset from the others; and how far they then scatter.
-- Parameters: $first and $last, times.
-- Returns place, time [s since 1970 UTC, of the middle of the reports], temp_c [degC], variance [K^2, null of one
-- thermometer], in order.
WITH told AS (
    SELECT t.place, r.node_no, date_trunc('hour', r.observed_at) AS hour, avg(epoch_ms(r.observed_at)) / 1000.0 AS time,
           avg(r.temp_c) AS temp_c
    FROM report_log r JOIN thermometers t USING (node_no)
    WHERE r.observed_at BETWEEN $first::TIMESTAMP_MS AND $last::TIMESTAMP_MS AND r.temp_c IS NOT NULL
    GROUP BY t.place, r.node_no, hour),
freed AS (
    SELECT place, hour, time, temp_c - avg(temp_c) OVER (PARTITION BY node_no)
           + avg(temp_c) OVER (PARTITION BY place) AS temp_c
    FROM told)
SELECT place, avg(time) AS time, avg(temp_c) AS temp_c, var_samp(temp_c) AS variance
FROM freed GROUP BY place, hour ORDER BY place, time
