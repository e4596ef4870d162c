-- The ledger of one node, day by day, with net harvest as power and its mean over the last four weeks.
-- Parameters: $node_id; $since, the first day shown (the mean still looks back beyond it).
-- day is the site's calendar day; energies in joules, powers in watts, full_s and observed_s in seconds.
SELECT * FROM (
    SELECT day, net_harvest_j, net_harvest_sd_j, wake_j, sleep_j, stored_change_j, wakes, full_s, observed_s,
           net_harvest_j / nullif(observed_s, 0) AS net_harvest_w,
           sum(net_harvest_j) OVER month / nullif(sum(observed_s) OVER month, 0) AS mean_28d_w,
           sum(full_s) OVER month > 0 AS mean_is_lower_bound
    FROM ledger
    WHERE node_id = $node_id
    WINDOW month AS (ORDER BY day RANGE BETWEEN INTERVAL 27 DAYS PRECEDING AND CURRENT ROW)
)
WHERE day >= $since
ORDER BY day
