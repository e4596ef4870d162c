-- The evidence of the nodes of the view `wanted` (node_no, since), of each from the day `since` on, in no order:
-- lists are dear to sort.
-- Parameters: $low and $high, bounds of node_no, and $first, the earliest `since`, which let the scan skip row groups.
-- Returns node_no, day, and the lists `sums` and `resistance` of analysis.evidence.
SELECT e.node_no, e.day, e.sums, e.resistance FROM day_evidence e JOIN wanted w ON e.node_no = w.node_no AND e.day >= w.since
WHERE e.node_no BETWEEN $low AND $high AND e.day >= $first
