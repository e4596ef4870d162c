"""The forecast on a fleet that goes dark slowly, with a physics of its own; `make bench` measures it on larger ones."""

from datetime import UTC, datetime
from pathlib import Path

from analysis.run_backtest import run_backtest
from ingest.bulk import import_file
from ingest.fleet import read_fleet
from ingest.store import Store
from tests.benchmarks import slow_causes


def test_slow_causes_are_foreseen(tmp_path: Path) -> None:
    slow_causes.write(tmp_path / "fleet", 24, 330, 5)
    with Store.open(tmp_path / "s.duckdb") as book:
        book.save_fleet(read_fleet(tmp_path / "fleet"))
        import_file(book, tmp_path / "fleet" / "reports.parquet")
        done = run_backtest(book, datetime.now(UTC), 10)
    found = {(row.score, row.horizon_days, row.method): row for row in done.scores}
    assert found["recall", 7, "forecast"].n >= 10
    assert found["recall", 7, "forecast"].value >= 0.8
    assert found["skill", 7, "forecast"].value > max(0.6, found["skill", 7, "weekday"].value)
    assert found["skill", 30, "forecast"].value > max(0.6, found["skill", 30, "weekday"].value)
    assert found["false_warnings", 30, "forecast"].value < 0.3
    assert 0.75 < found["coverage_80", 30, "all"].value < 0.92
