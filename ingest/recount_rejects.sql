-- Sets the counts of what is kept right, after rows of `reject_log` were taken out.
UPDATE reject_counts SET kept = coalesce(l.kept, 0), kept_bytes = coalesce(l.bytes, 0)
FROM reject_counts c LEFT JOIN (
    SELECT node_id, reason, count(*) AS kept,
           sum(strlen(payload) + strlen(detail) + coalesce(strlen(topic), 0)) AS bytes
    FROM reject_log GROUP BY ALL
) l USING (node_id, reason)
WHERE reject_counts.node_id = c.node_id AND reject_counts.reason = c.reason
  AND (reject_counts.kept, reject_counts.kept_bytes) IS DISTINCT FROM (coalesce(l.kept, 0), coalesce(l.bytes, 0))
