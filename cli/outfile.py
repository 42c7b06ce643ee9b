"""Output files that are there whole or not at all, and that never replace another unasked."""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def whole_file(path: Path, *, replace: bool = False) -> Iterator[Path]:
    """A name to write to; once the block is through, what was written there stands at *path*.

    If the block fails, nothing is left and nothing was touched.

    Raises
    ------
    FileExistsError
        If there is something at *path* already and *replace* is false.
    OSError
        If the folder cannot be written to.
    """
    if not replace and os.path.lexists(path):
        raise FileExistsError(path)
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    os.close(handle)
    written = Path(name)
    try:
        yield written
        mask = os.umask(0)  # there is no other way to ask for it
        os.umask(mask)
        written.chmod(0o666 & ~mask)
        with written.open("rb+") as file:
            os.fsync(file.fileno())
        if replace:
            written.replace(path)
        else:
            _move_to_free_name(written, path)
    finally:
        written.unlink(missing_ok=True)


def _move_to_free_name(written: Path, path: Path) -> None:
    try:
        path.hardlink_to(written)  # fails if a file has appeared there in the meantime
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if os.path.lexists(path):
            raise FileExistsError(path) from None
        written.replace(path)
