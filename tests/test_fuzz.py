"""A short run of the coverage-guided fuzzer; longer ones are started by hand (see tests/fuzz/fuzz_parse.py)."""

from __future__ import annotations

import subprocess
import sys
from importlib import util
from pathlib import Path

import pytest

FUZZER = Path(__file__).parent / "fuzz" / "fuzz_parse.py"


@pytest.mark.skipif(util.find_spec("atheris") is None, reason="atheris has no wheel for this Python or system")
def test_nothing_said_makes_parser_or_dialogue_raise(tmp_path: Path) -> None:
    command = [sys.executable, str(FUZZER), "-runs=300", "-seed=7", "-len_control=0", "-max_len=300"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert "Done 300 runs" in done.stderr
