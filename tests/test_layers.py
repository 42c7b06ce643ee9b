"""Who may import whom: cli on top, vision and calc below, calc knowing neither."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

PACKAGES = ("calc", "cli", "vision")
FORBIDDEN = {"calc": {"vision", "cli"}, "vision": {"cli"}, "cli": set()}


def folder(package: str) -> Path:
    return Path(next(iter(importlib.import_module(f"drawmark.{package}").__path__)))


def imported_packages(source: str, package: str) -> set[str]:
    """Which of the three packages the *source* of a module in *package* imports."""
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            parts = ["drawmark", package][: 3 - node.level] if node.level else []
            base = ".".join([*parts, *([node.module] if node.module else [])])
            names |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    found = set()
    for name in names:
        head, _, rest = name.partition(".")
        found.add(rest.partition(".")[0] if head == "drawmark" else head)
    return found & set(PACKAGES) - {package}


def test_the_finder_sees_every_way_to_import() -> None:
    for line in (
        "from ..cli import app",
        "from .. import cli",
        "from ..cli.app import main",
        "import drawmark.cli.app",
        "from drawmark import cli",
        "def f():\n    from ..cli.app import main",
        "import cli",
    ):
        assert imported_packages(line, "calc") == {"cli"}, line
    assert (
        imported_packages("from . import cli_like\nfrom .decision import decide", "calc") == set()
    )


@pytest.mark.parametrize("package", PACKAGES)
def test_no_layer_imports_one_above_it(package: str) -> None:
    modules = sorted(folder(package).rglob("*.py"))
    assert modules
    for module in modules:
        reached = imported_packages(module.read_text(encoding="utf-8"), package)
        assert not reached & FORBIDDEN[package], module.name


def test_only_one_module_builds_a_unit_registry() -> None:
    builders = [
        module.name
        for package in PACKAGES
        for module in folder(package).rglob("*.py")
        if "UnitRegistry(" in module.read_text(encoding="utf-8")
    ]
    assert builders == ["quantities.py"]


@pytest.mark.parametrize("package", PACKAGES)
def test_the_public_names_exist(package: str) -> None:
    module = importlib.import_module(f"drawmark.{package}")
    for name in getattr(module, "__all__", ()):
        assert hasattr(module, name), name


@pytest.mark.parametrize("package", PACKAGES)
def test_types_are_announced(package: str) -> None:
    assert (folder(package) / "py.typed").is_file()


def test_there_is_no_top_level_module_of_a_common_name() -> None:
    # a package called `cli` or `calc` in everybody's site-packages would be a nuisance
    import drawmark

    assert getattr(drawmark, "__file__", None) is None
    for package in PACKAGES:
        assert importlib.import_module(f"drawmark.{package}").__name__ == f"drawmark.{package}"
