-- The days' sums at the budget's figures of every node, in no order, to make the ledger from.
SELECT node_no, day, stored_j, wake_j, sleep_j, wakes, full_s, observed_s, top_v, top_s, noon_v, risen_at, temp_c, lost_j FROM day_sums
