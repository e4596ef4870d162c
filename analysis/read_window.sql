-- Sums at the budget's figures of the nodes over the days from $first on, for the mean net harvest and its doubt.
-- Returns node_no, stored_j, stored_var_j2 (of one day), wake_j, sleep_j, observed_s.
SELECT node_no, sum(stored_j), max(stored_var_j2), sum(wake_j), sum(sleep_j), sum(observed_s)
FROM day_sums WHERE day >= $first GROUP BY node_no
