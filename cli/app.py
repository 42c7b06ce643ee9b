"""The `drawmark` command.  Each subcommand is a module of its own.

Nothing heavy is imported here or at the top of a subcommand's module: `drawmark --help` must
answer at once, and numpy, OpenCV and pint are loaded where they are used.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from .check import check
from .demo import demo
from .feedback import feedback
from .options import ADVISORY
from .plan import app as plan
from .read import read
from .record import app as record
from .study import app as study
from .watch import watch

app = typer.Typer(
    name="drawmark",
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
app.add_typer(plan)
app.command(short_help="Volume in each photograph.")(read)
app.command(short_help="Photographs against the volume wanted.")(check)
app.add_typer(record)
app.command(short_help="A learner's bias and spread, from the record.")(feedback)
app.add_typer(study)
app.command(short_help="Each new photograph in a folder, as it comes.")(watch)
app.command(short_help="All of it on the sample photographs.")(demo)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"drawmark {version('drawmark')}")
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
