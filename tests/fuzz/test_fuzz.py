"""The fuzzer's harness runs, briefly, where the extra `fuzz` is installed; what it once found stays found."""

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest


@pytest.mark.skipif(find_spec("atheris") is None, reason="the extra `fuzz` is not installed")
def test_a_short_run_finds_nothing(tmp_path: Path) -> None:
    script = Path(__file__).with_name("fuzz_decode.py")
    done = subprocess.run(
        [sys.executable, script, "-runs=3000", "-seed=1", "-max_len=4096", tmp_path / "corpus"],
        capture_output=True, text=True, timeout=120, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    assert "Done 3000 runs" in done.stderr
