"""Data goes one way, and the folders say so."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ALLOWED = {
    "ingest": {"ingest"},
    "analysis": {"analysis", "ingest"},
    "dashboard": {"dashboard", "analysis", "ingest"},
    "fixtures": {"fixtures", "ingest"},
}
IMPURE = {"duckdb", "paho", "dash", "flask", "plotly", "time", "pathlib", "os", "random", "requests", "socket"}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add((node.module or "").split(".")[0])
    return found


@pytest.mark.parametrize("package", ALLOWED)
def test_packages_import_only_downwards(package):
    files = list((ROOT / package).rglob("*.py"))
    assert files
    for path in files:
        ours = imports(path) & (ALLOWED.keys() | {"joulebook", "tests"})
        assert ours <= ALLOWED[package], f"{path} imports {ours - ALLOWED[package]}"


def test_analysis_is_pure_but_for_the_modules_that_run_it():
    for path in (ROOT / "analysis").glob("*.py"):
        if not path.name.startswith("run"):
            assert not imports(path) & IMPURE, f"{path} imports {imports(path) & IMPURE}"


def test_top_level_holds_only_what_it_should():
    wanted = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "ingest", "analysis", "dashboard", "tests", "fixtures",
        "joulebook.py", "Makefile", "CHANGELOG.md",
    }  # fmt: skip
    passing = {"joulebook.egg-info", "build", "__pycache__"}  # made by tools, and ignored
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert {name for name in found - passing if ".duckdb" not in name} == wanted
