"""A coverage-guided fuzzer on the way from a file's bytes to a reading.

    pip install atheris
    python tests/harness/fuzz_photo.py CORPUS -max_total_time=1200 -timeout=30 -rss_limit_mb=2500

CORPUS is a folder, made and filled with small whole pictures if it is not there; what the
fuzzer learns is added to it.  The options are libFuzzer's.  Instrumented is what is written in
Python: this project's decoding and Pillow's parsers of headers, EXIF and profiles; the
libraries' compiled decoders are run, and any crash in them found, but not steered by coverage.
An exception, a hang or a crash ends it, and leaves the file that caused it.
"""

from __future__ import annotations

import sys
import tempfile
import zlib
from pathlib import Path

import atheris
from broken_files import whole_pictures

with atheris.instrument_imports(include=["PIL", "pillow_heif", "drawmark.vision"]):
    from PIL import Image

    from drawmark.vision import Reading, Reason, Refusal, photo, reading

READ_ONE_IN = 100  # reading takes a thousand times as long as a header
photo.MAX_PIXELS = 1_000_000  # type: ignore[misc]  # larger ones take time, not other ways

Image.init()  # load the parsers now, so that they are instrumented
PATH = Path(tempfile.mkdtemp(prefix="fuzz", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))


def one_input(data: bytes) -> None:
    """What becomes of *data* is a `Photo` or a `Reason`, and of a `Photo` an answer."""
    file = PATH / "photo"
    file.write_bytes(data)
    loaded = photo.load_photo(file)
    if isinstance(loaded, Reason):
        return
    assert isinstance(loaded, photo.Photo)
    assert loaded.bgr.ndim == 3
    if zlib.crc32(data) % READ_ONE_IN == 0:
        assert isinstance(reading.read_pixels(loaded), Reading | Refusal)


def main() -> None:
    """Run as a program."""
    corpus = Path(next((a for a in sys.argv[1:] if not a.startswith("-")), ""))
    if corpus.name and not corpus.exists():
        corpus.mkdir(parents=True)
        for name, data in whole_pictures().items():
            (corpus / name.replace(" ", "-")).write_bytes(data)
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
