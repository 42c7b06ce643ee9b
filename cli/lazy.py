"""Subcommands whose modules are loaded when they are called: help must not wait for them all."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from collections.abc import Iterator

# In the order of the help: the name, which is that of the module and of its function or, for a
# command with commands of its own, of the module whose `app` has them; and the line in the help.
SHORT_HELP = {
    "plan": "What to draw, stage by stage, and how well it can be known.",
    "read": "Volume in each photograph.",
    "check": "Photographs against the volume wanted.",
    "record": "The lab's record of checks.",
    "feedback": "A learner's bias and spread, from the record.",
    "study": "Measurement error: agreement, repeatability, weighing.",
    "watch": "Each new photograph in a folder, as it comes.",
    "demo": "All of it on the sample photographs.",
}


class _Commands(Mapping[str, Any]):
    """Name -> command.  The names are known at once; a command is built when it is asked for."""

    def __getitem__(self, name: str) -> Any:
        if name not in SHORT_HELP:
            raise KeyError(name)
        return _load(name)

    def __iter__(self) -> Iterator[str]:
        return iter(SHORT_HELP)

    def __len__(self) -> int:
        return len(SHORT_HELP)


@cache
def _load(name: str) -> Any:
    module = import_module(f".{name}", __package__)
    if hasattr(module, "app"):
        return typer.main.get_group(module.app)
    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
    alone.command(name)(getattr(module, name))
    return typer.main.get_command(alone)


class LazyGroup(TyperGroup):
    """The commands of `SHORT_HELP`."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands: Any = _Commands()

    def list_commands(self, ctx: Any) -> list[str]:
        """Their names, in the order of the help."""
        return list(SHORT_HELP)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the help's list of commands, for which none of them is loaded."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SHORT_HELP.items()))
