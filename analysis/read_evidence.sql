-- The evidence of the nodes from $low to $high (node_no), by node and day.
-- Returns node_no, day, and the lists `sums` and `resistance` of analysis.evidence.
SELECT node_no, day, sums, resistance FROM day_evidence WHERE node_no BETWEEN $low AND $high ORDER BY node_no, day
