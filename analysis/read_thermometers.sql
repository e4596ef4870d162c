-- The nodes whose reports between $first and $last hold a temperature.
SELECT DISTINCT node_no FROM report_log
WHERE observed_at BETWEEN $first::TIMESTAMP_MS AND $last::TIMESTAMP_MS AND temp_c IS NOT NULL
