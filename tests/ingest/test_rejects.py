"""Rejects: kept within bounds, counted by node and reason, and admitted once the cause is mended."""

import pytest

from ingest import admission, rejects
from ingest.contract import Refusal, batch_table
from ingest.fleet import read_fleet
from ingest.intake import take
from tests.conftest import NODES, START, reading

ARRIVAL = START + 86400.0


def refuse(book, *messages):
    """Messages as they come: topic's site and node, payload."""
    rows, refusals = [], []
    for place, (node, payload) in enumerate(messages):
        take("joulebook", f"joulebook/{node}", payload, None, ARRIVAL + place, False, rows, refusals)
    return book.admit(batch_table(rows), refusals)


def kept(book):
    return (
        book.cursor().execute("SELECT node_id, reason, count(*) FROM reject_log GROUP BY ALL ORDER BY ALL").fetchall()
    )


def counted(book):
    return {row[:2]: row[2:5] for row in rejects.counts(book)}


def register(book, fleet_folder, *nodes):
    lines = "".join(f"{node},mill-floor,conveyor,2026-01-01\n" for node in nodes)
    (fleet_folder / "nodes.csv").write_text(NODES + lines)
    book.save_fleet(read_fleet(fleet_folder))


def test_a_node_registered_late_gets_what_it_had_sent(book, fleet_folder):
    refuse(
        book,
        (
            "mill-floor/mf-77",
            b'{"t": %d, "storage_v": 3.5, "wakes": 1, "loaded_v": 3.25, "temp_c": 21.5, "boot": 2}' % START,
        ),
        ("mill-floor/mf-77", b'{"storage_v": 3.25, "wakes": 2}'),
        ("mill-floor/mf-77", b'{"t": 5, "storage_v": 3.5, "wakes": 3}'),  # its clock was lost
        ("mill-floor/mf-78", b'{"storage_v": 3.5, "wakes": 9}'),
    )
    assert rejects.readmit(book) == (0, 4, 0)
    register(book, fleet_folder, "mf-77")
    assert rejects.readmit(book) == (3, 1, 0)
    found = book.cursor().execute(
        "SELECT epoch(observed_at), epoch(received_at), storage_v, wakes, loaded_v, temp_c, boot"
        " FROM reports ORDER BY wakes"
    )
    assert found.fetchall() == [
        (START, ARRIVAL, 3.5, 1, 3.25, 21.5, 2),
        (ARRIVAL + 1, ARRIVAL + 1, 3.25, 2, None, None, None),
        (ARRIVAL + 2, ARRIVAL + 2, 3.5, 3, None, None, None),
    ]
    assert kept(book) == [("mf-78", "unknown-node", 1)]
    assert counted(book) == {("mf-77", "unknown-node"): (3, 0, 3), ("mf-78", "unknown-node"): (1, 1, 0)}
    assert rejects.readmit(book) == (0, 1, 0)


def test_what_is_stored_already_or_was_refused_twice_is_not_stored_twice(book, fleet_folder):
    message = ("mill-floor/mf-77", b'{"storage_v": 3.25, "wakes": 2}')
    refuse(book, message, message)
    register(book, fleet_folder, "mf-77")
    refuse(book, ("mill-floor/mf-77", b'{"t": 0, "storage_v": 3.5, "wakes": 3}'))
    assert rejects.readmit(book) == (2, 0, 0)
    assert book.cursor().execute("SELECT wakes FROM reports ORDER BY 1").fetchall() == [(2,), (3,)]


def test_history_in_bulk_is_readmitted_too(book, fleet_folder, admit):
    admit(reading("mf-77"), reading("mf-77", t=START + 60), reading("mf-01", t=START - 60))
    register(book, fleet_folder, "mf-77")
    assert rejects.readmit(book) == (2, 1, 0)


def test_a_payload_cut_short_or_not_of_text_is_not_tried(book):
    long = b"[" + b" " * 3000
    assert refuse(book, ("mill-floor/mf-01", long), ("mill-floor/mf-01", b"\xff")).rejected == {"malformed": 2}
    assert rejects.readmit(book) == (0, 0, 2)
    assert [len(row[4]) for row in rejects.latest(book, 9)] == [4, 2000]


def test_one_node_fills_its_own_share_only(book, monkeypatch):
    monkeypatch.setattr(admission, "REJECTS_PER_NODE", 50)
    for _ in range(3):
        refuse(book, *[("mill-floor/mf-01", b"rubbish")] * 40, ("mill-floor/mf-02", b"rubbish"))
    assert kept(book) == [("mf-01", "malformed", 50), ("mf-02", "malformed", 3)]
    assert counted(book) == {("mf-01", "malformed"): (120, 50, 0), ("mf-02", "malformed"): (3, 3, 0)}


def test_strangers_cannot_crowd_out_the_fleet_nor_grow_the_counts(book, monkeypatch):
    monkeypatch.setattr(admission, "REJECTS_OF_STRANGERS", 30)
    monkeypatch.setattr(admission, "STRANGERS", 20)
    for batch in range(3):
        refuse(book, *((f"mill-floor/x-{batch}-{i}", b"{}") for i in range(25)), ("mill-floor/mf-02", b"{}"))
    assert len(counted(book)) == 20 + 1 + 1
    assert counted(book)["mf-02", "missing-field"] == (3, 3, 0)
    assert counted(book)["(others)", "unknown-node"] == (55, 0, 0)
    assert sum(count for node, _, count in kept(book) if node != "mf-02") <= 30


def test_all_rejects_together_are_bounded(book, monkeypatch):
    monkeypatch.setattr(admission, "REJECTS_MAX_BYTES", 5_000)
    for _ in range(4):
        refuse(book, *[("mill-floor/mf-01", b"x" * 1500)] * 2)
    assert counted(book) == {("mf-01", "malformed"): (8, 3, 0)}
    assert book.cursor().execute("SELECT sum(kept_bytes) <= 5000 FROM reject_counts").fetchone() == (True,)


def test_long_names_are_cut(book):
    refuse(book, ("mill-floor/" + "n" * 60_000, b'{"storage_v": 3.5, "wakes": 1}'))
    ((topic, detail),) = book.cursor().execute("SELECT topic, detail FROM rejects").fetchall()
    assert (len(topic), len(detail)) == (300, 500)


@pytest.mark.parametrize("whole", [True, False])
def test_refusals_and_rejected_readings_count_together(book, whole):
    refusal = Refusal(ARRIVAL, "joulebook/x/y", "malformed", "not JSON", "{", "y", whole)
    assert book.admit(batch_table([reading("y")]), [refusal]).rejected == {"malformed": 1, "unknown-node": 1}
