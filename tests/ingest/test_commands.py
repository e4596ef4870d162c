"""The commands around the store, as a user gives them."""

import json
import shutil
import signal
from pathlib import Path

import pytest
from fault_helpers import listen_process, until
from mqtt_helpers import Publisher
from test_metrics import fetch, figures

import joulebook
from ingest.broker import EmbeddedBroker
from ingest.fleet import read_fleet
from ingest.store import Store

REPORT = '{"t": %d, "storage_v": 3.4, "wakes": %d}'


@pytest.fixture
def path(store: Store) -> Path:
    store.close()
    return Path(store.path)


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    code = joulebook.main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_listen_tells_its_figures_and_backs_up_while_it_runs(
    embedded: EmbeddedBroker, path: Path, tmp_path: Path, capsys
) -> None:
    with listen_process(path, embedded.address, "--metrics-port", "0", version="3.1.1") as listener:
        listener.until_said("metrics:")
        address = next(word for word in listener.said().split() if word.endswith("/metrics,"))[:-9]
        publisher = Publisher(embedded.address)
        for number in range(3):
            publisher.send("joulebook/mill-floor/mf-001", REPORT % (1_760_000_000 + number, number))
        publisher.send("joulebook/mill-floor/mf-999", REPORT % (1_760_000_000, 1))
        until(lambda: figures(address).get(("joulebook_rejects_total", ("unknown-node",))) == 1)
        assert figures(address)["joulebook_readings_accepted_total", ()] == 3
        assert fetch(address + "/health")[0] == 200
        code, out, err = run(capsys, "backup", tmp_path / "copy.duckdb", "--store", path, "--json")
        assert (code, err.splitlines()[1:]) == (0, ["it is copying"])
        assert "is open in another process, which is asked for the copy" in err
        assert json.loads(out)["bytes"] > 0
        publisher.close()
        assert listener.end(signal.SIGTERM) == 0
    with Store.open(tmp_path / "copy.duckdb") as copy:
        assert copy.cursor().execute("SELECT count(*) FROM reports").fetchone() == (3,)
    code, _, err = run(capsys, "backup", tmp_path / "copy.duckdb", "--store", path)
    assert (code, err.count("\n")) == (1, 1)
    assert "is there already" in err


def test_rejects_are_listed_and_readmitted_after_the_node_is_registered(path: Path, tmp_path: Path, capsys) -> None:
    history = tmp_path / "history.csv"
    history.write_text("node_id,time,storage_v,wakes\nmf-777,2025-10-01T00:00:00Z,3.5,1\nmf-001,2025-10-01,high,1\n")
    assert run(capsys, "rejects", "--store", path)[1] == "nothing was refused\n"
    run(capsys, "import", history, "--store", path)
    lines = run(capsys, "rejects", "--store", path)[1].splitlines()
    assert "mf-777: unknown-node: 1 refused, 1 kept, 0 admitted later" in lines
    assert any("mf-001: malformed: storage_v high: expected volts" in line for line in lines)
    counts = json.loads(run(capsys, "rejects", "--store", path, "--json")[1])["counts"]
    assert {(row["node"], row["reason"], row["refused"]) for row in counts} == {
        ("mf-777", "unknown-node", 1), ("mf-001", "malformed", 1)}  # fmt: skip
    with (tmp_path / "fleet" / "nodes.csv").open("a") as nodes:
        nodes.write("mf-777,mill-floor,conveyor,2025-01-01\n")
    with Store.open(path) as book:
        book.save_fleet(read_fleet(tmp_path / "fleet"))
    out = run(capsys, "rejects", "--readmit", "--store", path, "--json")[1]
    assert json.loads(out) == {"admitted": 1, "refused": 0, "not_whole": 1}


def test_clocks_and_too_short_a_memory_are_told(path: Path, capsys) -> None:
    assert run(capsys, "clocks", "--store", path)[1] == "no clock stands out\n"
    code, _, err = run(capsys, "listen", "--keep-days", "3", "--store", path, "--broker", "mqtt://127.0.0.1:9")
    assert (code, err.count("\n")) == (2, 1)
    assert "kept for 30 days or more, got 3" in err
    shutil.copy(path, path.with_name("two.duckdb"))
    assert json.loads(run(capsys, "clocks", "--store", path.with_name("two.duckdb"), "--json")[1]) == {"clocks": []}
