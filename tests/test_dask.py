"""The workers of a Dask cluster read as the processes here do."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from drawmark.cli import cluster, photographs
from drawmark.cli.app import app
from drawmark.vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator

distributed = pytest.importorskip("distributed", reason="needs the extra 'dask'")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("default"),  # what the cluster warns about as it ends is its own
]


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A local cluster of two processes."""
    local = distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with local:
        yield local.scheduler_address


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Files in the working folder, by names that mean nothing in the workers' folders."""
    monkeypatch.chdir(tmp_path)
    for name in ("a.jpg", "b.jpg", "c.check.jpg", "d.jpg"):
        Path(name).write_text(name)
    return [Path("d.jpg"), Path("b.jpg"), Path("a.jpg"), Path("c.check.jpg")]


def test_the_same_as_here(files: list[Path], address: str) -> None:
    here = CliRunner().invoke(app, ["read", "--json", *map(str, files)])
    there = CliRunner().invoke(app, ["read", "--json", *map(str, files), "--dask", address])
    assert there.stdout == here.stdout
    assert there.exit_code == here.exit_code == 4
    assert "can be opened" in here.stdout
    assert "does not exist" not in here.stdout


def test_from_python_by_the_backend_of_joblib(files: list[Path], address: str) -> None:
    # the example of docs/many-photographs.md
    from joblib import Parallel, delayed, parallel_config

    from drawmark.vision import read_photo

    photos = [path.absolute() for path in files]
    with distributed.Client(address), parallel_config("dask"):
        outcomes = Parallel(return_as="generator")(delayed(read_photo)(p) for p in photos)
        assert [outcome.status for outcome in outcomes] == ["refused"] * 4


def kills_itself_on_b(photo: Path, **_: object) -> Outcome:
    """Stands in for the reader, in the workers."""
    if photo.name == "b.jpg":
        os.kill(os.getpid(), signal.SIGKILL)
    return Refusal((Reason("no-syringe", photo.name, "."),))


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_worker_that_dies_takes_no_other_photograph_with_it(
    files: list[Path], address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photographs, "read_outcome", kills_itself_on_b)
    tasks = [photographs.Task(photo) for photo in files]
    outcomes = dict(photographs.outcomes_as_done(tasks, dask=address))
    reasons = [outcomes[number].reasons[0] for number in range(4)]  # type: ignore[union-attr]
    assert [reason.message for reason in reasons if reason.code == "no-syringe"] == [
        "d.jpg",
        "a.jpg",
        "c.check.jpg",
    ]
    assert "ended without an answer" in reasons[1].message


def test_no_cluster_there(files: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 0.5)
    result = CliRunner().invoke(app, ["read", "--json", "a.jpg", "--dask", "tcp://127.0.0.1:1"])
    assert result.exit_code == 2
    assert "tcp://127.0.0.1:1" in result.stderr
    assert "Traceback" not in result.stderr
