"""A writer of the record that is killed at any moment loses nothing it has said is done."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
KILLS = 300


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and SIGKILL")
def test_killed_at_any_moment(tmp_path: Path) -> None:
    done = subprocess.run(
        [
            sys.executable,
            str(HERE / "kill_writers.py"),
            str(tmp_path),
            str(KILLS),
            str(HERE / "data" / "record_schema_1.sql"),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=900,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert seen["kills"] == KILLS
    # the moments hit were of every kind: while it was being opened, and at work
    assert seen["before_it_was_open"] > KILLS / 50
    assert seen["acknowledged"] > KILLS / 3
    assert seen["deleted"] > KILLS / 100
