-- Takes out of `judged` all but the first of the readings that one node gave for one moment.
DELETE FROM judged USING (
    SELECT node_no, observed_at, min(seq) AS kept FROM judged WHERE reason IS NULL GROUP BY ALL HAVING count(*) > 1
) d
WHERE judged.reason IS NULL AND judged.node_no = d.node_no AND judged.observed_at = d.observed_at
  AND judged.seq <> d.kept
