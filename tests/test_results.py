"""The results file: nothing in it is lost or overwritten, and a half line does no harm."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

import pytest

from drawmark.cli.results import Results, ResultsError, content_hash, open_results

if TYPE_CHECKING:
    from pathlib import Path

OPTIONS = {"capacity_ml": None, "interval_ml": 0.2}


def answer(name: str, **more: Any) -> dict[str, Any]:
    return {"photo": name, "status": "read", "volume_ml": 1.0, **more}


def write(path: Path, *names: str, resume: bool = False, version: str = "1") -> None:
    with open_results(path, "read", version, resume=resume) as results:
        for name in names:
            results.append(answer(name), f"hash of {name}", OPTIONS)


def find(results: Results, name: str, sha256: str | None = None, **people: str) -> Any:
    return results.find(name, sha256 or f"hash of {name}", OPTIONS, people)


def photos(path: Path) -> list[str]:
    return [json.loads(line)["photo"] for line in path.read_text().splitlines()]


def test_a_line_is_there_before_the_next_is_begun(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    with open_results(path, "read", "1", resume=False) as results:
        for number in range(3):
            results.append(answer(str(number)), "h", OPTIONS)
            assert photos(path) == [str(n) for n in range(number + 1)]
    line = json.loads(path.read_text().splitlines()[0])
    assert line["run"] == {"command": "read", "version": "1", "sha256": "h", "options": OPTIONS}


def test_going_on(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a", "b")
    with open_results(path, "read", "1", resume=True) as results:
        assert find(results, "a") == answer("a")
        assert find(results, "c") is None
        assert find(results, "a", "other bytes") is None
        assert results.find("a", "hash of a", {**OPTIONS, "interval_ml": 0.5}, {}) is None
        assert find(results, "a", learner="heron") is None
        assert find(results, "moved/a", "hash of a") is None
        assert results.find_twin("hash of a", OPTIONS) == answer("a")
        results.append(answer("c"), "hash of c", OPTIONS)
    assert photos(path) == ["a", "b", "c"]


@pytest.mark.parametrize("keep", [1, 30, -1])
def test_a_line_cut_short_is_dropped(tmp_path: Path, keep: int) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a", "b")
    data = path.read_bytes()
    start = data.index(b"\n") + 1
    second = data[start:-1]
    path.write_bytes(data[:start] + second[:keep])
    write(path, "c", resume=True)
    assert photos(path) == ["a", "c"]


def test_a_first_line_cut_short_is_dropped(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a")
    for size in (0, 1, 5, 40):
        path.write_bytes(path.read_bytes()[:size])
        write(path, "a", resume=True)
        assert photos(path) == ["a"]


def test_a_last_line_without_its_end_only_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a", "b")
    path.write_bytes(path.read_bytes()[:-1])
    write(path, "c", resume=True)
    assert photos(path) == ["a", "b", "c"]


def test_what_is_there_is_left_alone_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a")
    with pytest.raises(ResultsError, match="--resume"):
        write(path, "b")
    assert photos(path) == ["a"]


@pytest.mark.parametrize(
    "content",
    [
        b"my notes\n",
        b"my notes",
        b"\xff\xd8\xff\xe0 a photograph",
        b"\n",
        b"{}\n",
        b"[1]\n",
        b'{"photo": "a", "status": "read"}\n',  # what --json prints, without what gave it
        b'{"photo": "a", "run": 5}\n',
    ],
)
def test_a_file_of_something_else_is_left_as_it_is(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "o.jsonl"
    path.write_bytes(content)
    with pytest.raises(ResultsError, match="left as it is"):
        write(path, "a", resume=True)
    assert path.read_bytes() == content


def test_a_broken_line_in_the_middle_is_named(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a", "b", "c")
    lines = path.read_text().splitlines()
    lines[1] = lines[1][:20]
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(ResultsError, match="line 2"):
        write(path, resume=True)


def test_answers_of_another_command_or_version_are_not_mixed(tmp_path: Path) -> None:
    path = tmp_path / "o.jsonl"
    write(path, "a")
    with (
        pytest.raises(ResultsError, match="drawmark check"),
        open_results(path, "check", "1", resume=True),
    ):
        pass
    with pytest.raises(ResultsError, match="start a new file"):
        write(path, resume=True, version="2")
    assert photos(path) == ["a"]


def test_two_runs_do_not_write_to_one_file(tmp_path: Path) -> None:
    pytest.importorskip("fcntl")
    path = tmp_path / "o.jsonl"
    with (
        open_results(path, "read", "1", resume=True),
        pytest.raises(ResultsError, match="another run"),
    ):
        write(path, resume=True)


def test_a_place_that_cannot_be_written_to(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "no" / "o.jsonl"):
        with pytest.raises(ResultsError, match="--out"):
            write(path)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")  # noqa: PTH110
def test_a_full_disk(tmp_path: Path) -> None:
    with open("/dev/full", "wb", 0) as full:  # noqa: PTH123
        results = Results(full, "read", "1")
        with pytest.raises(ResultsError, match=r"no space left.*--resume"):
            results.append(answer("a"), "h", OPTIONS)


def test_the_hash_of_the_content(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # FIPS 180-4, the example of SHA-256 that NIST publishes with it
    assert content_hash(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert content_hash(tmp_path / "gone") is None
