-- What is refused in a batch, as `reject_log` keeps it and counted by whom: the rejected readings in `explained` and
-- the payloads of the view `refusals` (contract.Refusal, received_at in seconds since 1970 UTC).
-- Parameters: $strangers how many names that are not of the fleet are counted each, $per_node readings kept of one node
-- for one reason, $per_strangers readings kept of all strangers, $bytes kept in all.
-- Names beyond $strangers are counted as '(others)' and not kept. A flood from one node uses up its own share only; strangers, whose names cost a sender nothing, have one share together.
WITH given AS (
    SELECT received_at, topic, node_id, reason, detail, payload, alone, true AS whole FROM explained
    UNION ALL
    SELECT make_timestamp_ms(round(received_at * 1000)::BIGINT)::TIMESTAMP_MS, topic, node_id, reason, detail, payload,
           NULL, whole
    FROM refusals
), named AS (
    SELECT g.* REPLACE (left(topic, 300) AS topic, left(g.node_id, 100) AS node_id, left(detail, 500) AS detail),
           n.node_id IS NOT NULL AS known, n.node_id IS NOT NULL OR l.node_id IS NOT NULL AS listed
    FROM given g LEFT JOIN nodes n ON n.node_id = g.node_id
    LEFT JOIN (SELECT DISTINCT node_id FROM reject_counts) l ON l.node_id = left(g.node_id, 100)
), counted AS (
    SELECT * REPLACE (
        CASE WHEN listed OR dense_rank() OVER (PARTITION BY listed ORDER BY node_id) + (
            SELECT count(DISTINCT c.node_id) FROM reject_counts c WHERE c.node_id NOT IN (SELECT node_id FROM nodes)
        ) <= $strangers THEN node_id ELSE '(others)' END AS node_id
    ), strlen(payload) + strlen(detail) + coalesce(strlen(topic), 0) AS bytes
    FROM named
), placed AS (
    SELECT n.*,
           row_number() OVER (PARTITION BY n.node_id, n.reason) + coalesce(c.kept, 0) AS place,
           row_number() OVER (PARTITION BY known)
           + (SELECT coalesce(sum(s.kept), 0) FROM reject_counts s WHERE s.node_id NOT IN (SELECT node_id FROM nodes))
               AS place_of_strangers,
           sum(n.bytes) OVER (ROWS UNBOUNDED PRECEDING) + (SELECT coalesce(sum(kept_bytes), 0) FROM reject_counts)
               AS bytes_up_to
    FROM counted n LEFT JOIN reject_counts c ON c.node_id = n.node_id AND c.reason = n.reason
)
SELECT received_at, topic, reason, detail, payload, node_id, alone, whole, bytes,
       place <= $per_node AND (known OR place_of_strangers <= $per_strangers) AND node_id <> '(others)' AND bytes_up_to <= $bytes AS kept
FROM placed
