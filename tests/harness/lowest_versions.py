"""The lower bounds of pyproject.toml as constraints for pip, so that they can be tested.

    python tests/harness/lowest_versions.py > lowest.txt
    pip install -c lowest.txt '.[dev,study]'

Tools that only developers run on the source (style, types) are left at what is newest.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

PYPROJECT = Path(__file__).resolve().parent.parent.parent / "pyproject.toml"
EXTRAS = ("dev", "study")
NOT_AT_RUN_TIME = ("mypy", "ruff")


def lowest() -> list[str]:
    """Lines ``name==version``, sorted.

    Raises
    ------
    ValueError
        If a dependency has no lower bound.
    """
    project = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]
    wanted = list(project["dependencies"])
    for extra in EXTRAS:
        wanted += project["optional-dependencies"][extra]
    lines = set()
    for requirement in wanted:
        found = re.fullmatch(r"([\w.-]+)(?:\[[^\]]*\])?>=([\w.]+)(,.*)?", requirement)
        if found is None:
            raise ValueError(f"{requirement!r} has no lower bound")
        if found[1] not in NOT_AT_RUN_TIME:
            lines.add(f"{found[1]}=={found[2]}")
    return sorted(lines)


if __name__ == "__main__":
    print("\n".join(lowest()))
