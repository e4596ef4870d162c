-- The resistance that the days told of the nodes of the view `wanted` (node_no), where there were steps to tell it by;
-- in no order: lists are dear to sort.
-- Parameters: $low and $high, bounds of node_no. Returns node_no, day, the list `resistance` of analysis.evidence.
SELECT e.node_no, e.day, e.resistance FROM day_evidence e SEMI JOIN wanted w USING (node_no)
WHERE e.node_no BETWEEN $low AND $high AND e.resistance[3] > 0
