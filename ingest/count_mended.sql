-- Counts by node and reason the rows of `reject_log` that are admitted after all: those in the temporary table `mended`.
UPDATE reject_counts SET readmitted = readmitted + m.n
FROM (
    SELECT node_id, reason, count(*) AS n FROM reject_log WHERE rowid IN (SELECT id FROM mended) GROUP BY ALL
) m
WHERE reject_counts.node_id = m.node_id AND reject_counts.reason = m.reason
