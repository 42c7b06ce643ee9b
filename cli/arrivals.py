"""Which photographs have come into a folder, and are there in full.

The folder is looked through again and again.  No system tells on every kind of drive, on those of
the network above all, that a file has come; and none tells that the program which copies it has
finished, so that its size has to be watched anyway.  A copy that halts halfway is known by a
picture that cannot be decoded to its end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .items import natural_key, photos_in

if TYPE_CHECKING:
    from pathlib import Path

    State = tuple[int, int, int]  # number of the file, bytes, time of the last change

LOOKS_UNCHANGED = 2  # so often a file has to be found as it was before
LOOKS_UNDECODABLE = 30  # after so many it is no copy under way, but a file that is broken


class Arrivals:
    """The photographs of *folder* that have not been handed out yet.

    Those that are there at first count as arrivals only with *existing*.  One that is changed or
    replaced is a new one.

    Raises
    ------
    OSError
        If the folder cannot be listed.
    """

    def __init__(self, folder: Path, *, recursive: bool = False, existing: bool = False) -> None:
        self._folder = folder
        self._recursive = recursive
        self._done: dict[Path, State] = {}
        self._coming: dict[Path, tuple[State, int]] = {}
        if not existing:
            self._done = self._states()

    @property
    def under_way(self) -> bool:
        """Whether a photograph has been seen that is not in full there yet."""
        return bool(self._coming)

    def look(self) -> list[Path]:
        """The photographs that are there in full since this look, in their natural order.

        Raises
        ------
        OSError
            If the folder cannot be listed.
        """
        states = self._states()
        # what has left the folder is forgotten
        self._done = {photo: state for photo, state in self._done.items() if photo in states}
        coming = {}
        arrived = []
        for photo, state in states.items():
            if self._done.get(photo) == state:
                continue
            before, looks = self._coming.get(photo, (None, 0))
            looks = looks + 1 if before == state else 0
            if looks >= LOOKS_UNDECODABLE or (looks >= LOOKS_UNCHANGED and is_whole(photo)):
                self._done[photo] = state
                arrived.append(photo)
            else:
                coming[photo] = (state, looks)
        self._coming = coming
        return arrived

    def _states(self) -> dict[Path, State]:
        states = {}
        for photo in sorted(photos_in(self._folder, recursive=self._recursive), key=natural_key):
            try:
                status = photo.stat()
            except OSError:  # gone again
                continue
            states[photo] = (status.st_ino, status.st_size, status.st_mtime_ns)
        return states


def is_whole(photo: Path) -> bool:
    """Whether the picture can be decoded to its end, or is refused for another reason than that."""
    from ..vision import Reason
    from ..vision.photo import load_photo

    try:
        loaded = load_photo(photo)
    except OSError:  # gone again
        return False
    return not (isinstance(loaded, Reason) and loaded.code == "not-an-image")
