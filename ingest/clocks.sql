-- What the clocks of the nodes did in the days before $until [UTC date]: parameter $days looked back.
-- A day's least delay from observation to arrival is the clock's error with the quickest way through the network on top:
-- steady for a good clock, along a line for one that drifts. Delays of an hour and more are queues and late batches.
-- Returns node_id, kind (lost, drifts, off), days seen, reports it concerns, drift [s/day] (positive: the clock is slow),
-- error [s] (positive: behind), most first.
-- A drift is told if it is faster than $drift_s a day, three times its standard error, and came to $step_s in all; a
-- clock is off if every day's least delay is beyond $behind_s, or its mean is less than -$ahead_s.
WITH daily AS (
    SELECT node_no, observed_at::DATE AS day, count(*) AS reports,
           min(epoch_ms(received_at) - epoch_ms(observed_at)) / 1000 AS least_s
    FROM report_log
    WHERE observed_at BETWEEN $until::TIMESTAMP - to_days($days::INTEGER) AND $until::TIMESTAMP + INTERVAL 1 DAY
      AND received_at <> observed_at AND epoch_ms(received_at) - epoch_ms(observed_at) < 3600000
    GROUP BY ALL
), fitted AS (
    SELECT node_no, count(*) AS days, sum(reports) AS reports, avg(least_s) AS mean_s, min(least_s) AS low_s,
           regr_slope(least_s, day - DATE '2000-01-01') AS slope, max(day) - min(day) AS span,
           sqrt(greatest(regr_syy(least_s, day - DATE '2000-01-01')
                         - slope * regr_sxy(least_s, day - DATE '2000-01-01'), 0)
                / (count(*) - 2) / regr_sxx(least_s, day - DATE '2000-01-01')) AS slope_se
    FROM daily GROUP BY node_no HAVING count(*) >= 5
), found AS (
    SELECT node_no, CASE WHEN abs(slope) > $drift_s AND abs(slope) > 3 * slope_se AND abs(slope) * span > $step_s
                         THEN 'drifts' WHEN low_s > $behind_s OR mean_s < -$ahead_s THEN 'off' END AS kind,
           days, reports, slope AS drift, mean_s AS error
    FROM fitted
    UNION ALL
    SELECT node_no, 'lost', count(DISTINCT day), sum(reports), NULL, NULL
    FROM clock_losses WHERE day BETWEEN $until - $days::INTEGER AND $until GROUP BY node_no
)
SELECT node_id, kind, days, reports::BIGINT, drift, error FROM found JOIN nodes USING (node_no)
WHERE kind IS NOT NULL ORDER BY kind, reports DESC, node_id
