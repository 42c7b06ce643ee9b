"""The examples in docstrings are true."""

from __future__ import annotations

import doctest
import importlib

import pytest

MODULES = (
    "calc.decision",
    "calc.formatting",
    "calc.quantities",
    "calc.syringe",
    "calc.tolerance",
    "cli.photographs",
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_of(name: str) -> None:
    result = doctest.testmod(importlib.import_module(f"drawmark.{name}"))
    assert result.attempted > 0
    assert result.failed == 0
