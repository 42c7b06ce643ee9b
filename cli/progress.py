"""How far many photographs are: a bar for a person at a terminal, nothing for a program."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import typer

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from types import TracebackType

T = TypeVar("T")

_CLEAR_LINE = "\r\x1b[K"


class Progress:
    """A bar on standard error, if that is a terminal and there are several to wait for."""

    def __init__(self, count: int) -> None:
        self._bar: Any = None
        if count > 1 and sys.stderr.isatty():
            self._bar = typer.progressbar(
                length=count, label="reading", show_pos=True, file=sys.stderr
            )

    def __enter__(self) -> Progress:
        if self._bar is not None:
            self._bar.render_progress()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.render_finish()

    def along(self, done: Iterable[T]) -> Iterator[T]:
        """The same again; the bar moves on with each."""
        for thing in done:
            if self._bar is not None:
                self._bar.update(1)
            yield thing

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Room to print in: where that is the bar's terminal, the bar gives way and comes back."""
        if self._bar is None or not sys.stdout.isatty():
            yield
            return
        print(_CLEAR_LINE, end="", file=sys.stderr, flush=True)
        yield
        print(f"\r{self._bar.format_progress_line()}", end="", file=sys.stderr, flush=True)
