-- The ratios of the nodes of the view `wanted` (node_no, since) where they changed before the day `since`, by node and day.
-- Parameters: $low and $high, bounds of node_no. Returns node_no, first, and the ratios with their covariance.
SELECT r.* FROM ratios r JOIN wanted w ON r.node_no = w.node_no AND r.first < w.since
WHERE r.node_no BETWEEN $low AND $high
ORDER BY r.node_no, r.first
