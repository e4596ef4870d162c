-- Turns the rows of the view `history` (a CSV with every column as text, or Parquet with its own types) into readings.
-- Parameter: $received_at [s since 1970 UTC]. Times without an offset are UTC (the session's time zone).
-- Returns the columns of contract.REPORT_BATCH and `problem`, null where the row can be judged.
SELECT node_id::VARCHAR AS node_id,
       epoch_ms(TRY_CAST(time AS TIMESTAMPTZ)) / 1000.0 AS observed_at,
       $received_at::DOUBLE AS received_at,
       TRY_CAST(storage_v AS DOUBLE) AS storage_v,
       TRY_CAST(wakes AS BIGINT) AS wakes,
       TRY_CAST(loaded_v AS DOUBLE) AS loaded_v,
       TRY_CAST(temp_c AS DOUBLE) AS temp_c,
       TRY_CAST(boot AS BIGINT) AS boot,
       NULL::VARCHAR AS topic,
       false AS redelivered,
       false AS alone,
       CASE
           WHEN node_id IS NULL THEN 'node_id is empty'
           WHEN TRY_CAST(time AS TIMESTAMPTZ) IS NULL THEN
               format('time {}: expected ISO 8601 such as 2026-03-01T06:00:00Z', coalesce(time::VARCHAR, '(empty)'))
           WHEN storage_v IS NOT NULL AND TRY_CAST(storage_v AS DOUBLE) IS NULL THEN
               format('storage_v {}: expected volts', storage_v)
           WHEN wakes IS NOT NULL AND TRY_CAST(wakes AS BIGINT) IS NULL THEN
               format('wakes {}: expected a whole number', wakes)
           WHEN loaded_v IS NOT NULL AND TRY_CAST(loaded_v AS DOUBLE) IS NULL THEN
               format('loaded_v {}: expected volts', loaded_v)
           WHEN temp_c IS NOT NULL AND TRY_CAST(temp_c AS DOUBLE) IS NULL THEN
               format('temp_c {}: expected degrees Celsius', temp_c)
           WHEN boot IS NOT NULL AND TRY_CAST(boot AS BIGINT) IS NULL THEN
               format('boot {}: expected a whole number', boot)
       END AS problem
FROM history
