"""Text to the terminal, where a file's name or a label must not give the terminal orders."""

from __future__ import annotations

import unicodedata

import typer

#: Control, format (these turn text round or hide it), lone surrogates, line and paragraph ends.
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def say(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print *text*, all but its line breaks `harmless`."""
    typer.echo(harmless(text), err=err, nl=nl)


def harmless(text: str) -> str:
    r"""*text* with what is not seen when printed spelled out: ``\x1b``, ``\u202e``; not ``\n``."""
    if text.isascii() and text.replace("\n", "").isprintable():
        return text
    return "".join(
        c.encode("unicode_escape").decode()
        if unicodedata.category(c) in _UNSEEN and c != "\n"
        else c
        for c in text
    )
