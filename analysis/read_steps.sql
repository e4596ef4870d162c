-- The resistance that the days told of the nodes $low to $high (bounds of node_no), in no order: lists are dear to sort, and
-- to leave out the few nodes that are not wanted, or days without steps, would take longer than to read them.
-- Returns node_no, day, the list `resistance` of analysis.evidence.
SELECT node_no, day, resistance FROM day_evidence WHERE node_no BETWEEN $low AND $high
