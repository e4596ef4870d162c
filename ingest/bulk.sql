-- Turns the rows of the view `history` (a CSV with every column as text, or Parquet with its own types) into readings.
-- Parameter: $received_at [s since 1970 UTC]. Times without an offset are UTC (the session's time zone).
-- A count may be written as 18342.0; a fraction, which a cast would round, is none.
-- Returns the columns of contract.REPORT_BATCH; `problem`, null where the row can be judged; and of others `payload`, what
-- they say, as JSON.
WITH read AS (
    SELECT node_id::VARCHAR AS node_id, time, storage_v, wakes, loaded_v, temp_c, boot,
           -- TIMESTAMP is read several times as fast, but an offset other than Z is passed over.
           epoch_ms(CASE WHEN typeof(time) <> 'VARCHAR' OR ends_with(time::VARCHAR, 'Z') THEN TRY_CAST(time AS TIMESTAMP)
                    ELSE TRY_CAST(time AS TIMESTAMPTZ)::TIMESTAMP END) / 1000.0 AS t,
           TRY_CAST(storage_v AS DOUBLE) AS storage,
           CASE WHEN TRY_CAST(wakes AS DOUBLE) % 1 = 0 THEN TRY_CAST(wakes AS BIGINT) END AS count,
           TRY_CAST(loaded_v AS DOUBLE) AS loaded, TRY_CAST(temp_c AS DOUBLE) AS temp,
           CASE WHEN TRY_CAST(boot AS DOUBLE) % 1 = 0 THEN TRY_CAST(boot AS BIGINT) END AS boots,
           history AS given
    FROM history
), told AS (
    SELECT node_id, t AS observed_at, $received_at::DOUBLE AS received_at, storage AS storage_v, count AS wakes,
           loaded AS loaded_v, temp AS temp_c, boots AS boot, NULL::VARCHAR AS topic, false AS redelivered, false AS alone,
           CASE
               WHEN node_id IS NULL THEN 'node_id is empty'
               WHEN t IS NULL THEN
                   format('time {}: expected ISO 8601 such as 2026-03-01T06:00:00Z', coalesce(time::VARCHAR, '(empty)'))
               WHEN storage IS NULL AND storage_v IS NOT NULL THEN format('storage_v {}: expected volts', storage_v)
               WHEN count IS NULL AND wakes IS NOT NULL THEN format('wakes {}: expected a whole number', wakes)
               WHEN loaded IS NULL AND loaded_v IS NOT NULL THEN format('loaded_v {}: expected volts', loaded_v)
               WHEN temp IS NULL AND temp_c IS NOT NULL THEN format('temp_c {}: expected degrees Celsius', temp_c)
               WHEN boots IS NULL AND boot IS NOT NULL THEN format('boot {}: expected a whole number', boot)
           END AS problem, given
    FROM read
)
SELECT * EXCLUDE (given), CASE WHEN problem IS NOT NULL THEN to_json(given)::VARCHAR END AS payload
FROM told
