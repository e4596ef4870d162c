-- Moves on by a millisecond the readings without a clock in `judged` that a reading of the same node, stored or in the
-- batch, stands in the way of, and those behind them. Returns nothing; repeat it until no row changes.
UPDATE judged SET observed_at = make_timestamp_ms(m.at_ms)::TIMESTAMP_MS, received_at = make_timestamp_ms(m.at_ms)::TIMESTAMP_MS
FROM (
    SELECT id, before_ms, place + max(before_ms + in_the_way - place) OVER (
        PARTITION BY node_no ORDER BY place ROWS UNBOUNDED PRECEDING) AS at_ms
    FROM (
        SELECT c.seq AS id, c.node_no, epoch_ms(c.observed_at) AS before_ms,
               row_number() OVER (PARTITION BY c.node_no ORDER BY c.observed_at, c.seq) AS place,
               (EXISTS (SELECT 1 FROM report_log r WHERE r.observed_at BETWEEN $first AND $last
                        AND r.node_no = c.node_no AND r.observed_at = c.observed_at)
                OR EXISTS (SELECT 1 FROM judged b WHERE NOT b.clockless AND b.reason IS NULL
                           AND b.node_no = c.node_no AND b.observed_at = c.observed_at))::INTEGER AS in_the_way
        FROM judged c WHERE c.clockless AND c.reason IS NULL
    )
) m
WHERE judged.seq = m.id AND m.at_ms <> m.before_ms
