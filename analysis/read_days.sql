-- The ledger of the nodes from $low to $high (node_no) from $first on, by node and day, for forecast and findings.
SELECT n.node_no, l.day, l.net_harvest_j, l.net_harvest_sd_j, l.wake_j, l.sleep_j, l.wakes, l.full_s, l.observed_s
FROM ledger l JOIN nodes n USING (node_id)
WHERE n.node_no BETWEEN $low AND $high AND l.day >= $first
ORDER BY n.node_no, l.day
