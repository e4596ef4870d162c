-- The filter's standings of nodes that need not be gone through anew on the day $today: every $turn days it is a node's turn.
-- Returns the rows of the table `standings`, by node.
SELECT * FROM standings
WHERE floor((date_diff('day', DATE '1970-01-01', $today) - node_no) / $turn)
    = floor((date_diff('day', DATE '1970-01-01', made) - node_no) / $turn)
  AND made <= $today AND len(begun) = 3 -- fewer: of an earlier version, which knew less
ORDER BY node_no
