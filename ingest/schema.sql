-- The store's schema, version 1. Times are UTC. Units stand in the column names.
-- `report_log` is the physical form of the contract's `reports`: a small integer for the node, milliseconds for the times.
CREATE TABLE IF NOT EXISTS meta (key VARCHAR PRIMARY KEY, value VARCHAR NOT NULL);

-- The fleet, as loaded from its folder.
CREATE TABLE IF NOT EXISTS sites (
    site VARCHAR PRIMARY KEY, name VARCHAR NOT NULL, latitude DOUBLE NOT NULL, longitude DOUBLE NOT NULL,
    timezone VARCHAR NOT NULL);
CREATE TABLE IF NOT EXISTS budgets (budget VARCHAR PRIMARY KEY, toml VARCHAR NOT NULL);
CREATE TABLE IF NOT EXISTS nodes (
    node_no INTEGER PRIMARY KEY, node_id VARCHAR NOT NULL UNIQUE, site VARCHAR NOT NULL, budget VARCHAR NOT NULL,
    commissioned TIMESTAMP_MS NOT NULL, latitude DOUBLE, longitude DOUBLE, note VARCHAR NOT NULL,
    retired BOOLEAN NOT NULL DEFAULT false,           -- no longer in the folder; its history stays
    voltage_max DOUBLE NOT NULL,                      -- highest voltage the node can honestly report
    report_interval_s DOUBLE NOT NULL);
CREATE TABLE IF NOT EXISTS closures (
    site VARCHAR NOT NULL, start_at TIMESTAMP_MS NOT NULL, end_at TIMESTAMP_MS NOT NULL, harvest_factor DOUBLE NOT NULL,
    reason VARCHAR NOT NULL);
CREATE TABLE IF NOT EXISTS visits (
    node_id VARCHAR NOT NULL, visited_at TIMESTAMP_MS NOT NULL, work VARCHAR NOT NULL, note VARCHAR NOT NULL);

-- What the nodes said.
CREATE TABLE IF NOT EXISTS report_log (
    node_no INTEGER NOT NULL, observed_at TIMESTAMP_MS NOT NULL, received_at TIMESTAMP_MS NOT NULL,
    storage_v DOUBLE NOT NULL, wakes BIGINT NOT NULL, loaded_v DOUBLE, temp_c DOUBLE, boot BIGINT);
-- What was refused, as far as it is kept: `whole` payloads can be admitted later, when the cause is mended.
CREATE TABLE IF NOT EXISTS reject_log (
    received_at TIMESTAMP_MS NOT NULL, topic VARCHAR, reason VARCHAR NOT NULL, detail VARCHAR NOT NULL, payload VARCHAR,
    node_id VARCHAR NOT NULL,                         -- as the sender named it
    alone BOOLEAN,                                    -- the only reading of its message; null: never decoded
    whole BOOLEAN NOT NULL);
CREATE VIEW IF NOT EXISTS rejects AS
    SELECT received_at::TIMESTAMP AT TIME ZONE 'UTC' AS received_at, topic, reason, detail, payload FROM reject_log;
CREATE TABLE IF NOT EXISTS reject_counts (
    node_id VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    refused BIGINT NOT NULL,                          -- ever
    kept BIGINT NOT NULL, kept_bytes BIGINT NOT NULL, -- in reject_log now
    readmitted BIGINT NOT NULL, first_at TIMESTAMP_MS NOT NULL, last_at TIMESTAMP_MS NOT NULL,
    PRIMARY KEY (node_id, reason));
-- Reports of a node whose clock was lost, by UTC day of arrival; they are stored under the time of arrival.
CREATE TABLE IF NOT EXISTS clock_losses (
    node_no INTEGER NOT NULL, day DATE NOT NULL, reports BIGINT NOT NULL,
    claimed_s DOUBLE NOT NULL);                       -- earliest time given [s since 1970 UTC]
CREATE VIEW IF NOT EXISTS reports AS
    SELECT n.node_id, r.observed_at::TIMESTAMP AT TIME ZONE 'UTC' AS observed_at,
           r.received_at::TIMESTAMP AT TIME ZONE 'UTC' AS received_at,
           r.storage_v, r.wakes, r.loaded_v, r.temp_c, r.boot
    FROM report_log r JOIN nodes n USING (node_no);
-- UTC days with reports that the analysis has not taken up yet.
CREATE TABLE IF NOT EXISTS touched (node_no INTEGER NOT NULL, day DATE NOT NULL);

-- What the analysis found. Columns as in the contract (README, "Tables").
-- `ledger` (below) is a view: the days' sums at the budget's figures, times the ratios that the estimates found for their
-- time.
CREATE TABLE IF NOT EXISTS day_sums (
    node_no INTEGER NOT NULL, day DATE NOT NULL, stored_j DOUBLE NOT NULL, stored_var_j2 DOUBLE NOT NULL,
    wake_j DOUBLE NOT NULL, sleep_j DOUBLE NOT NULL, wakes BIGINT NOT NULL, full_s DOUBLE NOT NULL,
    observed_s DOUBLE NOT NULL);
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS top_v DOUBLE;  -- highest voltage of the day [V],
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS top_s DOUBLE;  -- and the time at it [s]
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS temp_c FLOAT;  -- mean temperature, NaN where none was reported [degC]
-- Highest voltage from ten to four [V], and when it came up to that: the day's begin if it was there all day, its end if
-- never [s since 1970 UTC].
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS noon_v DOUBLE;
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS risen_at DOUBLE;
-- What a cell without a harvester loses, else NaN; its net harvest is minus that, whatever its voltage says [J].
ALTER TABLE day_sums ADD COLUMN IF NOT EXISTS lost_j DOUBLE;
-- Field over budget of capacity (c), wake energy (e) and sleep power (s) from the day `first` on, with their covariance.
CREATE TABLE IF NOT EXISTS ratios (
    node_no INTEGER NOT NULL, first DATE NOT NULL, c FLOAT NOT NULL, e FLOAT NOT NULL, s FLOAT NOT NULL,
    cc FLOAT NOT NULL, ce FLOAT NOT NULL, cs FLOAT NOT NULL, ee FLOAT NOT NULL, es FLOAT NOT NULL, ss FLOAT NOT NULL);
ALTER TABLE ratios ADD COLUMN IF NOT EXISTS l FLOAT;  -- leakage
-- What sisters tell of each node's scale: factors (k) on these ratios; of the variance along g, a share kept.
CREATE TABLE IF NOT EXISTS scales (
    node_no INTEGER NOT NULL, kept DOUBLE NOT NULL, kc DOUBLE NOT NULL, ke DOUBLE NOT NULL, ks DOUBLE NOT NULL,
    gc DOUBLE NOT NULL, ge DOUBLE NOT NULL, gs DOUBLE NOT NULL);
-- What the days say of the parameters: sums of `analysis.evidence`, never read again from the reports; empty: nothing.
CREATE TABLE IF NOT EXISTS day_evidence (
    node_no INTEGER NOT NULL, day DATE NOT NULL, sums FLOAT[] NOT NULL, resistance FLOAT[] NOT NULL);
-- Where the estimator of a node stood some weeks ago, to carry on from: `analysis.run_carry.Earlier`.
CREATE TABLE IF NOT EXISTS standings (
    node_no INTEGER NOT NULL, first DATE NOT NULL, day DATE NOT NULL, made DATE NOT NULL, told BIGINT NOT NULL,
    changed DATE, mean DOUBLE[] NOT NULL, covariance DOUBLE[] NOT NULL, begun DOUBLE[] NOT NULL,
    sleep_shift DOUBLE NOT NULL);
ALTER TABLE standings ADD COLUMN IF NOT EXISTS measured BOOLEAN;
-- The last report of nodes that had long been silent, until one comes in: time [s since 1970 UTC] and voltage; empty: none.
CREATE TABLE IF NOT EXISTS last_heard (node_no INTEGER NOT NULL, time_s DOUBLE, storage_v DOUBLE);
-- The week a node has shown so far, to go on from.
CREATE TABLE IF NOT EXISTS weeks (node_no INTEGER NOT NULL, day DATE NOT NULL, week FLOAT[] NOT NULL);
CREATE TABLE IF NOT EXISTS estimates (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, line VARCHAR NOT NULL, budget DOUBLE, budget_sd DOUBLE,
    estimate DOUBLE, sd DOUBLE, separable BOOLEAN);
CREATE TABLE IF NOT EXISTS forecast (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, p_dark_7d DOUBLE, p_dark_30d DOUBLE, p_dark_90d DOUBLE,
    days_p10 DOUBLE, days_p50 DOUBLE, days_p90 DOUBLE, autonomy_days DOUBLE, balance_w DOUBLE);
-- Energy ahead, for the fan on the node page: usable energy by day after as_of.
CREATE TABLE IF NOT EXISTS forecast_path (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, days_ahead DOUBLE NOT NULL,
    usable_p05_j DOUBLE, usable_p10_j DOUBLE, usable_p50_j DOUBLE, usable_p90_j DOUBLE, usable_p95_j DOUBLE);
-- What the planner reads beside the forecast. Empty where it lies past the horizon or does not apply.
CREATE TABLE IF NOT EXISTS prospects (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, visit_by_days DOUBLE, low_day DOUBLE, low_usable_j DOUBLE,
    back_p10_days DOUBLE, back_p50_days DOUBLE, back_p90_days DOUBLE, wake_interval_s DOUBLE, driver VARCHAR NOT NULL,
    harvest_w DOUBLE, harvest_sd_w DOUBLE);  -- what could be harvested if the storage were never full, mean of a normal week
-- From which voltage on a node counts as full; empty: from the budget's full voltage on, less a margin.
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS full_from_v DOUBLE;
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS full_v DOUBLE;  -- and at which it is full; empty: the budget's
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS full_autonomy_days DOUBLE;  -- autonomy from full
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS silent_s DOUBLE;  -- 0 while it is heard from
-- How its firmware saves: below this share of the usable energy at full, so many times the usual wakes; empty: it does not.
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS saves_below DOUBLE;
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS saves_factor DOUBLE;
-- Days until the chance of having gone dark reaches 2, 5, 20 and 30 %; `visit_by_days` is of 10 %.
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS visit_by_02_days DOUBLE;
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS visit_by_05_days DOUBLE;
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS visit_by_20_days DOUBLE;
ALTER TABLE prospects ADD COLUMN IF NOT EXISTS visit_by_30_days DOUBLE;
CREATE OR REPLACE VIEW scaled_ratios AS
    WITH led AS (
        SELECT node_no, first, c * coalesce(kc, 1) AS c, e * coalesce(ke, 1) AS e, s * coalesce(ks, 1) AS s,
               cc * coalesce(kc * kc, 1) AS cc, ce * coalesce(kc * ke, 1) AS ce, cs * coalesce(kc * ks, 1) AS cs,
               ee * coalesce(ke * ke, 1) AS ee, es * coalesce(ke * ks, 1) AS es, ss * coalesce(ks * ks, 1) AS ss,
               coalesce(gc, 0) AS gc, coalesce(ge, 0) AS ge, coalesce(gs, 0) AS gs, 1 - coalesce(kept, 1) AS known
        FROM ratios LEFT JOIN scales USING (node_no)),
    along AS (
        SELECT *, cc * gc / c + ce * ge / e + cs * gs / s AS cg, ce * gc / c + ee * ge / e + es * gs / s AS eg,
               cs * gc / c + es * ge / e + ss * gs / s AS sg
        FROM led)
    SELECT *, cg * gc / c + eg * ge / e + sg * gs / s AS along FROM along;
CREATE OR REPLACE VIEW ledger AS
    SELECT n.node_id, day,
           CASE WHEN isfinite(lost_j) THEN -lost_j ELSE c * stored_j + e * wake_j + s * sleep_j END AS net_harvest_j,
           CASE WHEN isfinite(lost_j) THEN sqrt(stored_var_j2)
                ELSE sqrt(c * c * stored_var_j2 + greatest(
                     cc * stored_j * stored_j + ee * wake_j * wake_j + ss * sleep_j * sleep_j
                     + 2 * (ce * stored_j * wake_j + cs * stored_j * sleep_j + es * wake_j * sleep_j)
                     - CASE WHEN along > 0 THEN known * (cg * stored_j + eg * wake_j + sg * sleep_j) ** 2 / along ELSE 0 END,
                     0)) END AS net_harvest_sd_j,
           e * wake_j AS wake_j, s * sleep_j AS sleep_j,
           CASE WHEN isfinite(lost_j) THEN -lost_j - e * wake_j - s * sleep_j ELSE c * stored_j END AS stored_change_j,
           wakes,
           CASE WHEN top_v >= p.full_from_v THEN greatest(full_s, top_s) ELSE full_s END AS full_s, observed_s
    FROM day_sums d ASOF JOIN scaled_ratios r ON d.node_no = r.node_no AND d.day >= r.first
    JOIN nodes n ON n.node_no = d.node_no LEFT JOIN prospects p ON p.node_id = n.node_id;
CREATE TABLE IF NOT EXISTS health (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, capacity_ratio DOUBLE, capacity_sd DOUBLE, esr_ratio DOUBLE,
    esr_sd DOUBLE, leakage_ratio DOUBLE, leakage_sd DOUBLE, fade_per_year DOUBLE, fade_sd DOUBLE, verdict VARCHAR);
-- When the storage reaches a limit of its budget, with 10, 50 and 90 % probability: no row where no wear stands out of its
-- doubt, an empty date where it lies past ten years.
CREATE TABLE IF NOT EXISTS end_of_life (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, criterion VARCHAR NOT NULL, by_p10 DATE, by_p50 DATE, by_p90 DATE);
-- Of a cell: usable energy left as a share of that at full, by voltage and by counting from the day it was last full.
CREATE TABLE IF NOT EXISTS remaining (
    node_id VARCHAR NOT NULL, as_of TIMESTAMPTZ NOT NULL, by_voltage DOUBLE, by_voltage_sd DOUBLE, by_counting DOUBLE,
    by_counting_sd DOUBLE, counted_from DATE);
CREATE TABLE IF NOT EXISTS findings (
    node_id VARCHAR, as_of TIMESTAMPTZ NOT NULL, finding VARCHAR NOT NULL, since TIMESTAMPTZ, probability DOUBLE,
    evidence VARCHAR);
ALTER TABLE findings ADD COLUMN IF NOT EXISTS site VARCHAR;
CREATE TABLE IF NOT EXISTS alarms (
    alarm_id VARCHAR NOT NULL, node_id VARCHAR, site VARCHAR NOT NULL, kind VARCHAR NOT NULL, priority VARCHAR NOT NULL,
    state VARCHAR NOT NULL, raised_at TIMESTAMPTZ NOT NULL, acknowledged_at TIMESTAMPTZ, cleared_at TIMESTAMPTZ,
    note VARCHAR NOT NULL DEFAULT '');
-- How past forecasts came out: figures of each backtest, what was said against what came, and what is corrected since.
CREATE TABLE IF NOT EXISTS backtests (
    run_at TIMESTAMPTZ NOT NULL, first_origin TIMESTAMPTZ NOT NULL, last_origin TIMESTAMPTZ NOT NULL,
    every_days DOUBLE NOT NULL, score VARCHAR NOT NULL,
    horizon_days DOUBLE NOT NULL,                     -- or lead
    method VARCHAR NOT NULL, value DOUBLE, low DOUBLE, high DOUBLE, n BIGINT NOT NULL);
CREATE TABLE IF NOT EXISTS reliability (
    run_at TIMESTAMPTZ NOT NULL, horizon_days DOUBLE NOT NULL, method VARCHAR NOT NULL, said DOUBLE NOT NULL,
    came DOUBLE NOT NULL, low DOUBLE NOT NULL, high DOUBLE NOT NULL, n BIGINT NOT NULL);
-- Corrected probability: logit p' = shift + slope logit p; fitted to reports up to `fitted_at`.
CREATE TABLE IF NOT EXISTS calibration (
    horizon_days INTEGER PRIMARY KEY, shift DOUBLE NOT NULL, slope DOUBLE NOT NULL, fitted_at TIMESTAMPTZ NOT NULL,
    events BIGINT NOT NULL);
