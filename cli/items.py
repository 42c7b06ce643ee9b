"""What is to be read: photographs named one by one, by a pattern or by their folder."""

from __future__ import annotations

import glob
import os
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import usage_error
from .photographs import ANNOTATED

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ..calc.tolerance import Tolerance

# What counts as a photograph in a folder.  One that is named is opened whatever its name.
SUFFIXES = (".heic", ".heif", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp")


@dataclass(frozen=True)
class Item:
    """One photograph of a batch, what is known of its syringe, and whose it is.  Volumes in mL.

    ``name`` is what the photograph is called in the output, as it was given.  ``target_ml`` and
    ``tolerance`` are there for a check; ``learner`` and ``task`` are a manifest's own words.
    """

    photo: Path = Path()
    name: str = ""
    capacity_ml: float | None = None
    interval_ml: float | None = None
    target_ml: float | None = None
    tolerance: Tolerance | None = None
    learner: str | None = None
    task: str | None = None

    def people(self) -> dict[str, str]:
        """Learner and task, those that are known."""
        known = {"learner": self.learner, "task": self.task}
        return {key: value for key, value in known.items() if value is not None}


def names_several(path: Path) -> bool:
    """Whether *path* is a folder, or a pattern that the shell did not expand."""
    return _is_folder(path) or (glob.has_magic(str(path)) and not os.path.lexists(path))


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # e.g. a name longer than any may be: no folder, and answered later on
        return False


def find_items(
    given: Sequence[Path] | None,
    manifest: Path | None,
    defaults: Item,
    *,
    recursive: bool,
    for_check: bool,
) -> list[Item]:
    """What to read: the photographs *given*, or those that *manifest* lists.

    What is not said of each comes from *defaults*, whose photograph is not used.  Leaves with a
    usage error if there is nothing to read, or something wrong in the manifest.
    """
    if manifest is None:
        if not given:
            usage_error("PHOTO is missing; name photographs or their folder, or give --manifest.")
        photos = find_photos(given, recursive=recursive)
        return [replace(defaults, photo=photo, name=str(photo)) for photo in photos]
    if given:
        usage_error("PHOTO and --manifest contradict each other; give one of them.")
    from .manifest import ManifestError, load_manifest

    try:
        return load_manifest(manifest, defaults, for_check=for_check)
    except ManifestError as error:
        usage_error(str(error))


def find_photos(given: Sequence[Path], *, recursive: bool = False) -> list[Path]:
    """The photographs that *given* names, in its order; a folder's and a pattern's sorted.

    A pattern that the shell did not expand (``'day*/*.jpg'``) is expanded here, unless a file has
    that very name.  A name that is not there stays in the list: it gets an answer of its own, and
    so does a folder or a pattern without photographs among several.  One that is all there is
    leaves with a usage error.
    """
    photos: list[Path] = []
    alone = len(given) == 1
    for path in given:
        if _is_folder(path):
            try:
                found = sorted(photos_in(path, recursive=recursive), key=natural_key)
            except OSError as error:
                if not alone:
                    photos.append(path)
                    continue
                usage_error(
                    f"the folder '{path}' cannot be listed "
                    f"({(error.strerror or str(error)).lower()}); check its permissions."
                )
            if not found and alone:
                hint = "" if recursive else " itself; --recursive looks into the folders in it too"
                usage_error(f"'{path}' holds no photographs{hint}.")
        elif names_several(path):
            # Path.glob would want the pattern cut in two, and takes hidden files as well
            matches = map(Path, glob.iglob(str(path), recursive=True))  # noqa: PTH207
            found = sorted((match for match in matches if not match.is_dir()), key=natural_key)
            if not found and alone:
                usage_error(f"'{path}' matches no file; check the pattern.")
        else:
            found = [path]
        photos += found or [path]
    return photos


def photos_in(folder: Path, *, recursive: bool = False) -> Iterator[Path]:
    """The photographs in *folder*, by their names, in no particular order.

    Hidden files and annotated pictures of ours are left out; so are folders, pipes and devices,
    whatever their names.  A folder that is reached twice, over links, is looked into once.

    Raises
    ------
    OSError
        If *folder* itself cannot be listed; folders in it that cannot are passed by.
    """
    os.scandir(folder).close()
    seen: set[tuple[int, int]] = set()
    for where, folders, files in os.walk(folder, followlinks=True):
        status = Path(where).stat()
        if (status.st_dev, status.st_ino) in seen:
            folders.clear()
            continue
        seen.add((status.st_dev, status.st_ino))
        folders[:] = sorted(name for name in folders if not name.startswith(".")) * recursive
        yield from (photo for name in files if _is_photo(photo := Path(where, name)))


def _is_photo(path: Path) -> bool:
    name = path.name
    if name.startswith(".") or path.suffix.lower() not in SUFFIXES or ANNOTATED.fullmatch(name):
        return False
    return path.is_file() or not path.exists()  # a dangling link gets its answer like any other


def natural_key(path: Path) -> list[tuple[list[Any], str]]:
    """Sorts ``a2.jpg`` before ``a10.jpg``.

    >>> [str(path) for path in sorted([Path("a10"), Path("b"), Path("A2")], key=natural_key)]
    ['A2', 'a10', 'b']
    """
    # re.split with a group: text and digits by turns, so that like is compared with like
    return [
        (
            [
                int(piece) if turn % 2 else piece.casefold()
                for turn, piece in enumerate(re.split(r"([0-9]+)", part))
            ],
            part,
        )
        for part in path.parts
    ]
