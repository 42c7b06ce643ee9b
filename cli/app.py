"""The `drawmark` command.  Each subcommand is a module of its own.

`drawmark --help` must answer at once, so a subcommand is loaded when it is called (`lazy`), and
numpy, OpenCV and pint where they are used.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from .lazy import LazyGroup
from .options import ADVISORY
from .terminal import say

app = typer.Typer(
    name="drawmark",
    cls=LazyGroup,
    help=(
        "Read the volume in a syringe from a photograph, and tell whether it is the volume "
        f"meant to be drawn up.\n\n{ADVISORY}"
    ),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        say(f"drawmark {version('drawmark')}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and leave."
        ),
    ] = False,
) -> None:
    """Options before the subcommand."""


def main() -> None:
    """Entry point of the console command."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show "±", or a file name that is not text, is no reason to stop.
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    app()
