"""The pages that are made from the code are those that the code makes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import drawmark.calc.decision
import drawmark.calc.quantities
import drawmark.vision

ROOT = Path(__file__).resolve().parent.parent
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def test_api_reference_is_up_to_date() -> None:
    done = subprocess.run(
        [sys.executable, ROOT / "docs" / "build_api.py", "--check"], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


def test_api_reference_has_the_public_names() -> None:
    headings = re.findall(r"^### (\w+)$", (ROOT / "docs" / "api.md").read_text("utf-8"), re.M)
    assert set(drawmark.vision.__all__) <= set(headings)
    for module in (drawmark.calc.decision, drawmark.calc.quantities):
        own = {
            n for n, t in vars(module).items() if getattr(t, "__module__", "") == module.__name__
        }
        assert {n for n in own if not n.startswith("_")} <= set(headings)


def test_links_and_pictures_of_the_pages_are_there() -> None:
    missing = []
    for page in PAGES:
        text = re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.S)
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
            if "://" not in target and not (page.parent / target).exists():
                missing.append(f"{page.name}: {target}")
    assert missing == []
