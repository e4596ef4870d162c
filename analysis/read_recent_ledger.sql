-- The ledger from $first on, of nodes in the fleet. Returns node_no and the ledger's columns, by node and day.
SELECT n.node_no, l.day, l.net_harvest_j, l.net_harvest_sd_j, l.wake_j, l.sleep_j, l.stored_change_j, l.wakes,
       l.full_s, l.observed_s
FROM ledger l JOIN nodes n USING (node_id)
WHERE l.day >= $first AND NOT n.retired
ORDER BY n.node_no, l.day
