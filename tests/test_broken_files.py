"""A bounded sample of the broken files: `harness/broken_files.py` makes any number of them."""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "harness"))

from broken_files import NAMES, damaged, make, run, whole_pictures

from drawmark.vision.model import REFUSALS, Reason
from drawmark.vision.photo import Photo, load_photo

# Files by number, through the command.  Most can't be decoded, so that the reader has little to do.
NUMBERS = range(2000, 2050)


@pytest.mark.skipif(sys.platform == "win32", reason="makes pipes, sockets and odd names")
def test_every_broken_file_gets_an_answer_of_its_own() -> None:
    codes, _, wrong = run(NUMBERS)
    assert wrong == []
    assert codes.total() == len(NUMBERS)
    assert codes["not-an-image"] > 10  # they are broken indeed
    assert set(codes) <= {*REFUSALS, "read"}


def test_a_thousand_damaged_pictures_are_decoded_or_refused(tmp_path: Path) -> None:
    rng = random.Random(1)
    path = tmp_path / "photo"
    refused = 0
    slowest = 0.0
    for _ in range(1000):
        path.write_bytes(damaged(rng)[1])
        start = time.process_time()
        found = load_photo(path)
        slowest = max(slowest, time.process_time() - start)
        assert isinstance(found, Photo | Reason)
        refused += isinstance(found, Reason)
    assert 300 < refused < 1000
    assert slowest < 5


@pytest.mark.parametrize("kind", list(whole_pictures()))
def test_the_pictures_that_get_damaged_are_whole(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "photo"
    path.write_bytes(whole_pictures()[kind])
    assert isinstance(load_photo(path), Photo)


def test_a_number_always_gives_the_same_file(tmp_path: Path) -> None:
    for folder in ("one", "other"):
        (tmp_path / folder).mkdir()
    for number in (1, 7, 33):
        one, other = (make(number, tmp_path / folder) for folder in ("one", "other"))
        assert one[0] == other[0]
        assert one[1].name == other[1].name
        assert one[1].read_bytes() == other[1].read_bytes()


def test_names_are_as_long_as_they_may_be() -> None:
    assert max(len(name.encode(errors="surrogateescape")) for name in NAMES) == 255
