"""Nodes without a clock, with a lost one, with one that drifts: nothing is lost or counts twice, and all is said."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import clocks
from ingest.contract import batch_table
from ingest.store import Store
from tests.conftest import START, reading

DAY = 86400.0
ARRIVAL = START + 100 * DAY


def clockless(wakes=1, at=ARRIVAL, **more):
    return reading(t=None, wakes=wakes, received_at=at, alone=True, **more)


def stored(book):
    rows = book.cursor().execute("SELECT wakes, epoch_ms(observed_at), epoch_ms(received_at) FROM reports ORDER BY 2")
    return [
        (wakes, observed - ARRIVAL * 1000, received - ARRIVAL * 1000) for wakes, observed, received in rows.fetchall()
    ]


def test_readings_of_one_millisecond_are_all_kept(book, admit):
    assert admit(clockless(1), clockless(2), clockless(3, at=ARRIVAL + 0.001)) == (3, 0, {})
    assert admit(clockless(4)) == (1, 0, {})
    assert stored(book) == [(1, 0, 0), (2, 1, 1), (3, 2, 2), (4, 3, 3)]


def test_a_reading_with_a_time_of_its_own_is_not_in_the_way(book, admit):
    admit(reading(t=ARRIVAL, wakes=1, received_at=ARRIVAL + 5))
    assert admit(clockless(2), reading(t=ARRIVAL + 0.001, wakes=3, received_at=ARRIVAL + 5), clockless(4)) == (3, 0, {})
    assert [(wakes, at) for wakes, at, _ in stored(book)] == [(1, 0), (3, 1), (2, 2), (4, 3)]


def test_a_reading_sent_again_is_known_by_its_values(book, admit):
    admit(clockless(1, loaded_v=3.1), clockless(2))
    again = [clockless(wakes, at=ARRIVAL + 60, redelivered=True, **more)
             for wakes, more in ((1, {"loaded_v": 3.1}), (2, {}), (2, {"temp_c": 20.0}), (3, {}))]  # fmt: skip
    assert admit(*again) == (2, 2, {})
    assert admit(*again) == (0, 4, {})
    assert admit(clockless(2, at=ARRIVAL + 90)) == (1, 0, {})  # not sent again: the node said it twice
    assert [wakes for wakes, *_ in stored(book)] == [1, 2, 2, 3, 2]


def test_both_copies_of_a_reading_in_one_batch_count_once(admit):
    assert admit(clockless(1), clockless(1, at=ARRIVAL + 2, redelivered=True)) == (1, 1, {})


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 3), st.booleans()), min_size=1, max_size=30), st.integers(1, 9)
)
def test_no_reading_without_a_clock_is_lost_whatever_stands_around_it(rows, size):
    """Against a count by hand: every reading without a time, and every different time given."""
    with Store.open(":memory:") as book:
        book.cursor().execute(
            "INSERT INTO nodes SELECT i, n, 's', 'b', '2020-01-01', NULL, NULL, '', false, 9, 60"
            " FROM (VALUES (0, 'n0'), (1, 'n1'), (2, 'n2')) t(i, n)"
        )
        made = [
            reading(
                f"n{node}",
                None if bare else ARRIVAL + ms / 1000,
                wakes=place,
                received_at=ARRIVAL + ms / 1000 + (not bare),
            )
            for place, (node, ms, bare) in enumerate(rows)
        ]
        for start in range(0, len(made), size):
            book.admit(batch_table(made[start : start + size]))
        found = book.cursor().execute("SELECT node_id, epoch_ms(observed_at), wakes FROM reports").fetchall()
    assert len({(node, at) for node, at, _ in found}) == len(found)
    assert {place for place, (_, _, bare) in enumerate(rows) if bare} <= {wakes for *_, wakes in found}


@pytest.mark.parametrize(
    "claimed",
    [
        pytest.param(0.0, id="1970"),
        pytest.param(946_684_800.0, id="2000"),
        pytest.param(2.0**31 - 1, id="2038"),
        pytest.param(ARRIVAL + 301, id="ahead"),
        pytest.param(1e300, id="absurd"),
    ],
)
def test_a_lost_clock_of_a_live_report_is_replaced_by_the_arrival_and_noted(book, admit, claimed):
    assert admit(reading(t=claimed, received_at=ARRIVAL, alone=True)) == (1, 0, {})
    assert stored(book) == [(1, 0, 0)]
    noted = book.cursor().execute("SELECT node_no, day, reports, claimed_s FROM clock_losses").fetchall()
    assert [(reports, at) for _, _, reports, at in noted] == [(1, claimed)]


def test_readings_stored_under_a_lost_clock_are_quarantined(book, admit):
    """Of several in one message, or of history in bulk, nobody knows when they were made."""
    assert admit(reading(t=10.0), reading(t=70.0)) == (0, 0, {"before-commissioning": 2})


def test_a_good_clock_is_left_alone(book, admit):
    admit(reading(t=ARRIVAL + 299, received_at=ARRIVAL, alone=True), reading(t=START, received_at=ARRIVAL, alone=True))
    assert [at for _, at, _ in stored(book)] == [-100 * DAY * 1000, 299_000]
    assert book.cursor().execute("SELECT count(*) FROM clock_losses").fetchone() == (0,)


def delayed(node, error, drift):
    """Hourly reports of 20 days over a network of 1 to 9 s; the clock is `error` behind and loses `drift` a day [s]."""
    for hour in range(20 * 24):
        true = ARRIVAL - 20 * DAY + hour * 3600
        yield reading(node, true - error - drift * hour / 24, received_at=true + 1 + hour * 7919 % 9, alone=True)


def test_clocks_that_drift_or_are_off_are_told_from_good_ones(book, admit):
    admit(*delayed("mf-01", 0, 2.0), *delayed("mf-02", 0, 0.0), *delayed("kr-01", 100, 0.0))
    drifts, off = clocks.flags(book, datetime.fromtimestamp(ARRIVAL, UTC).date())
    assert drifts[:3] == ("mf-01", "drifts", 20)
    assert drifts.drift_s_per_day == pytest.approx(2.0, abs=0.1)  # as simulated; the network hides up to a second a day
    assert off[:2] == ("kr-01", "off")
    assert off.error_s == pytest.approx(101, abs=1)
    admit(*(reading("mf-02", 60.0 * i, received_at=ARRIVAL - i * DAY / 3, alone=True) for i in range(3)))
    assert [tuple(flag)[:4] for flag in clocks.flags(book, datetime.fromtimestamp(ARRIVAL, UTC).date())][1:2] == [
        ("mf-02", "lost", 2, 3)
    ]


def test_history_in_bulk_says_nothing_of_clocks(book, admit):
    admit(*(reading(t=START + day * DAY, received_at=ARRIVAL) for day in range(100)))
    assert clocks.flags(book, datetime.fromtimestamp(ARRIVAL, UTC).date()) == []
