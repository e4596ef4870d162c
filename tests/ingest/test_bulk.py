"""Bulk history: streamed, judged like live reports, harmless to repeat."""

import gzip
import json
from pathlib import Path

import pandas as pd
import pytest

from ingest.bulk import OPTIONAL, REQUIRED, import_file
from ingest.errors import ImportFileError
from tests.conftest import START

GOOD = """node_id,time,storage_v,wakes,loaded_v,temp_c,boot
mf-01,2026-01-02T00:00:00Z,3.5,10,3.4,20.5,1
mf-01,2026-01-02T01:00:00+01:00,3.5,10,,,
kr-01,2026-01-02 05:00:00,4.0,7,,,
"""


def test_a_csv_is_imported_once_whatever_its_times_look_like(book, tmp_path):
    path = tmp_path / "history.csv"
    path.write_text(GOOD)
    assert import_file(book, path) == (2, 1, {})  # the second line is the first in another time zone
    assert import_file(book, path) == (0, 3, {})
    rows = (
        book.cursor().execute("SELECT node_id, epoch(observed_at), loaded_v, boot FROM reports ORDER BY 1").fetchall()
    )
    assert rows == [("kr-01", START + 29 * 3600, None, None), ("mf-01", START + 86400, 3.4, 1)]


def test_the_readme_names_the_columns_that_are_read():
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    _, _, told = readme.partition("A history file")
    assert f"`{','.join(REQUIRED)}`" in told
    assert f"`{','.join(OPTIONAL)}`" in told


def test_parquet_with_native_types(book, tmp_path):
    frame = pd.DataFrame(
        {"node_id": ["mf-01"], "time": pd.to_datetime(["2026-01-02T00:00:00Z"]), "storage_v": [3.5], "wakes": [10]}
    )
    frame.to_parquet(tmp_path / "history.parquet")
    assert import_file(book, tmp_path / "history.parquet") == (1, 0, {})


def test_an_export_of_reports_imports_again(book, tmp_path):
    path = tmp_path / "history.csv"
    path.write_text(GOOD)
    import_file(book, path)
    for name in ("reports.csv", "reports.parquet"):
        book.export("reports", tmp_path / name)
        assert import_file(book, tmp_path / name) == (0, 2, {})


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("mf-01,yesterday,3.5,10,,,", "malformed"),
        ("mf-01,,3.5,10,,,", "malformed"),
        ("mf-01,2026-01-02,high,10,,,", "malformed"),
        ("mf-01,2026-01-02,3.5,ten,,,", "malformed"),
        ("mf-01,2026-01-02,3.5,10,,warm,", "malformed"),
        (",2026-01-02,3.5,10,,,", "malformed"),
        ("mf-01,2026-01-02,,10,,,", "missing-field"),
        ("xx-99,2026-01-02,3.5,10,,,", "unknown-node"),
        ("mf-01,2026-01-02,99,10,,,", "voltage-out-of-range"),
        ("mf-01,2025-01-02,3.5,10,,,", "before-commissioning"),
        ("mf-01,2126-01-02,3.5,10,,,", "time-in-future"),
    ],
)
def test_a_bad_row_is_kept_with_its_reason_and_the_rest_goes_on(book, tmp_path, line, reason):
    path = tmp_path / "history.csv"
    path.write_text(GOOD + line + "\n")
    assert import_file(book, path) == (2, 1, {reason: 1})
    assert book.cursor().execute("SELECT reason FROM rejects").fetchall() == [(reason,)]


@pytest.mark.parametrize(
    ("line", "detail"),
    [
        ("mf-01,2026-01-04T00:00:00Z,3.5", "line 4: missing columns"),
        ("mf-01,2026-01-04T00:00:00Z,3.5,10,3.4,20,1,9,9", "line 4: too many columns"),
    ],
)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_ragged_line_is_kept_with_its_number_and_text_and_the_rest_goes_on(book, tmp_path, line, detail, ending):
    lines = GOOD.splitlines()
    path = tmp_path / "history.csv"
    path.write_text(ending.join(["\ufeff" + lines[0], *lines[1:3], line, lines[3], ""]), encoding="utf-8", newline="")
    assert import_file(book, path) == (2, 1, {"malformed": 1})
    found = book.cursor().execute("SELECT topic, detail, payload FROM rejects").fetchall()
    assert found == [("history.csv", detail, line)]


def test_a_quote_that_is_not_closed_takes_its_own_line_with_it_and_no_other(book, tmp_path):
    lines = GOOD.splitlines()
    path = tmp_path / "history.csv"
    path.write_text(
        "\n".join([*lines[:2], 'mf-01,2026-01-02T02:00:00Z,"3.5,11,,,', lines[3], '"kr-01",2026-01-03,3,9,,,'])
    )
    assert import_file(book, path) == (3, 0, {"malformed": 1})
    assert book.cursor().execute("SELECT detail FROM rejects").fetchall() == [("line 3: a quote is not closed",)]


def test_lines_may_end_unlike_and_a_header_may_have_blanks_or_letters_of_another_code(book, tmp_path):
    head, one, again, other = GOOD.encode().splitlines()
    path = tmp_path / "history.csv"
    head = head.replace(b",", b", ") + b",f\xfcr"
    path.write_bytes(head + b"\r\n" + one + b",\r\n" + again + b",\n" + other + b",\n")
    assert import_file(book, path) == (2, 1, {})


def test_a_malformed_row_is_kept_as_it_stands(book, tmp_path):
    rows = 'wakes,node_id,time,storage_v,"a ""note"", twice",a,a\nten,mf-01,2026-01-02,"3,5",x,y,z\n'
    with gzip.open(tmp_path / "h.csv.gz", "wt") as file:
        file.write(rows + "7,mf-01,2026-01-02,3.5,,,\n")
    assert import_file(book, tmp_path / "h.csv.gz") == (1, 0, {"malformed": 1})
    ((node, payload),) = book.cursor().execute("SELECT node_id, payload FROM reject_log").fetchall()
    given = {name: value for name, value in json.loads(payload).items() if value is not None}
    assert (node, given) == ("mf-01", {"wakes": "ten", "node_id": "mf-01", "time": "2026-01-02", "storage_v": "3,5"})


@pytest.mark.parametrize("name", ["wakes", "boot"])
def test_a_count_is_whole_in_csv_and_parquet(book, tmp_path, name):
    times = ["2026-01-02T00:00:00Z", "2026-01-02T01:00:00Z"]
    frame = pd.DataFrame({"node_id": "mf-01", "time": times, "storage_v": 3.5, "wakes": 10} | {name: [4.0, 3.5]})
    frame.to_csv(tmp_path / "h.csv", index=False)
    frame.to_parquet(tmp_path / "h.parquet")
    assert import_file(book, tmp_path / "h.csv") == (1, 0, {"malformed": 1})
    assert import_file(book, tmp_path / "h.parquet") == (0, 1, {"malformed": 1})
    assert book.cursor().table("reports").select(name).fetchall() == [(4,)]
    details = book.cursor().execute("SELECT detail FROM rejects").fetchall()
    assert details == [(f"{name} 3.5: expected a whole number",)] * 2


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("none.csv", None, "no such file"),
        ("", None, "is a folder; name the files in it"),
        ("empty.csv", "", "no column node_id, time, storage_v, wakes; expected"),
        ("h.csv.gz", "not compressed", "cannot be read: Not a gzipped file"),
        ("h.xlsx", "x", r"expected a name ending in \.csv, \.csv\.gz or \.parquet"),
        ("h.csv", "node_id,time,volts\na,b,c\n", "no column storage_v, wakes; expected node_id,time,storage_v,wakes"),
        ("h.parquet", "not parquet", "cannot be read"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line(book, tmp_path, name, text, message):
    if text is not None:
        (tmp_path / name).write_text(text)
    with pytest.raises(ImportFileError, match=message) as caught:
        import_file(book, tmp_path / name)
    assert "\n" not in str(caught.value)
