"""A drawn photograph and a reader that says what it is told, for tests of what comes after."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from drawn_syringe import BOTTOM_Y, HEIGHT, TOP_Y, WIDTH, x_of
from hypothesis import settings

# A busy machine may take long over one example; that says nothing about the code.
settings.register_profile("drawmark", deadline=None)
settings.load_profile("drawmark")

# Started in the background, a process and all its children ignore Ctrl-C; the tests send it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A picture of a drawn barrel, as a JPEG of its own folder."""
    image = np.full((HEIGHT, WIDTH, 3), 200, np.uint8)
    cv2.rectangle(image, (220, int(TOP_Y)), (1000, int(BOTTOM_Y)), (225, 225, 225), -1)
    for step in range(21):
        x = round(x_of(step / 2))
        cv2.line(image, (x, 340), (x, 440 if step % 2 == 0 else 400), (40, 40, 40), 2)
    path = tmp_path / "drawn.jpg"
    assert cv2.imwrite(str(path), image)
    return path


@pytest.fixture
def reader_says(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Let the reader answer with what the test constructs, or raise it."""

    def say(*outcomes: object) -> None:
        queue = list(outcomes)

        def read_photo(path: object, **_: object) -> object:
            answer = queue.pop(0) if len(queue) > 1 else queue[0]
            if isinstance(answer, Exception):
                raise answer
            return answer

        monkeypatch.setattr("drawmark.vision.read_photo", read_photo)

    return say
