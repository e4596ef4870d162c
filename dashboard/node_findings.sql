-- The findings of one node's latest analysis, the most probable first.
-- Parameters: $node_id. A finding that the latest analysis no longer names is left out.
SELECT finding, since, probability, evidence
FROM findings
WHERE node_id = $node_id AND as_of = (SELECT max(as_of) FROM forecast WHERE node_id = $node_id)
ORDER BY probability DESC, finding
