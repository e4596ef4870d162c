-- Adds the temporary table `refused` to the counts by node and reason.
INSERT INTO reject_counts
SELECT node_id, reason, count(*), count(*) FILTER (kept), coalesce(sum(bytes) FILTER (kept), 0), 0,
       min(received_at), max(received_at)
FROM refused GROUP BY node_id, reason
ON CONFLICT DO UPDATE SET refused = refused + excluded.refused, kept = kept + excluded.kept,
    kept_bytes = kept_bytes + excluded.kept_bytes, last_at = greatest(last_at, excluded.last_at)
