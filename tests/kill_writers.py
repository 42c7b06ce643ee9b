"""Kills writers of a record at random moments and looks at what is left.  Run by a test.

    python kill_writers.py FOLDER KILLS SCHEMA_1.sql

Each writer is a process of its own that opens the record (a new one, one of an older schema, or
one in use), adds and deletes as fast as it can and says what is done down a pipe, which is how
anybody else would learn of it.  SIGKILL then hits it wherever it is.  Writers are forked, since
starting an interpreter for each would take most of the time.  Prints what was seen as JSON; leaves
with 1 and the finding if anything was lost or damaged.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import time
from pathlib import Path

from drawmark.cli.record_store import SCHEMA, Entry, RecordStore

# How long a writer lives at most, to begin with: of a file in use, and of one to be made or brought
# up to date, where the moments before it is open matter most.  Both follow the machine's pace.
LONGEST_S = {"used": 0.03, "early": 0.008}
LONGER, SHORTER = {"used": 1.2, "early": 1.1}, {"used": 0.97, "early": 0.93}
KILLS_A_FILE = 100
OLD_RECORDS = 4  # in the record of schema 1


def writer(lab: Path, learner: str, pipe: int) -> None:
    """Add records for ever, delete every fifth, and say so: ``+NUMBER`` and ``-NUMBER``."""
    with RecordStore.open(lab, create=True) as store:
        os.write(pipe, b"open\n")
        for step in range(1_000_000):
            check = {"step": step, "padding": "x" * (step % 7) * 500}
            entry = Entry("volume", "within", check, (f"{step:064x}",), deviation_ml=step / 7)
            number = store.add(entry, learner=learner).number
            os.write(pipe, f"+{number} {step}\n".encode())
            if step % 5 == 4:
                store.delete([number])
                os.write(pipe, f"-{number}\n".encode())


def run_and_kill(lab: Path, learner: str, after_s: float) -> list[str]:
    """What a writer said before it was killed; a line cut short does not count."""
    receive, send = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(receive)
        try:
            writer(lab, learner, send)
        finally:
            os._exit(9)  # only reached if something went wrong
    os.close(send)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        sys.exit("a writer ended by itself")
    with os.fdopen(receive, "rb") as pipe:
        return pipe.read().decode().rpartition("\n")[0].splitlines()


def look(lab: Path, learner: str, said: list[str], older: int) -> tuple[int, int]:
    """Hold the file against what was said; records acknowledged, and said to be deleted."""
    kept = {}
    gone = set()
    for line in said:
        if line.startswith("+"):
            number, step = map(int, line[1:].split())
            kept[number] = step
        elif line.startswith("-"):
            gone.add(int(line[1:]))
    with RecordStore.open(lab, create=True) as store:
        stored = {s.number: s for s in store.records()}
    connection = sqlite3.connect(lab)
    for pragma, sound in (
        ("integrity_check", [("ok",)]),
        ("foreign_key_check", []),
        ("user_version", [(SCHEMA,)]),
    ):
        if (found := connection.execute(f"PRAGMA {pragma}").fetchall()) != sound:
            sys.exit(f"{pragma} says {found}")
    connection.close()
    # the last one may be deleted already without that having been said
    unsure = {max(kept)} if kept and max(kept) not in gone else set()
    if missing := set(kept) - gone - set(stored) - unsure:
        sys.exit(f"{len(missing)} records were lost")
    if back := gone & set(stored):
        sys.exit(f"{len(back)} deleted records are back")
    for number in set(kept) & set(stored):
        record = stored[number]
        step = kept[number]
        whole = (record.learner, record.entry.check["step"], record.entry.photos)
        if whole != (learner, step, (f"{step:064x}",)):
            sys.exit(f"record {number} is not what was added")
    unsaid = {s.number for s in stored.values() if s.learner == learner} - set(kept)
    if len(unsaid) > 1:
        sys.exit(f"{len(unsaid)} records that nobody was told of")
    if len([s for s in stored.values() if s.number <= older]) != older:
        sys.exit("records of the older schema were lost")
    return len(kept), len(gone)


def main(folder: Path, kills: int, old_script: Path) -> None:
    chance = random.Random()
    old = folder / "old.db"
    connection = sqlite3.connect(old)
    connection.executescript(old_script.read_text(encoding="utf-8"))
    connection.close()
    totals = {"kills": 0, "before_it_was_open": 0, "acknowledged": 0, "deleted": 0}
    longest_s = dict(LONGEST_S)
    for kill in range(kills):
        lab, kind, older = folder / f"used-{kill // KILLS_A_FILE}.db", "used", 0
        if kill % 4 < 2:
            lab, kind = folder / f"{kill}.db", "early"
        if kill % 4 == 1:
            shutil.copy(old, lab)
            older = OLD_RECORDS
        said = run_and_kill(lab, f"t{kill}", chance.uniform(0, longest_s[kind]))
        longest_s[kind] *= SHORTER[kind] if "open" in said else LONGER[kind]
        acknowledged, deleted = look(lab, f"t{kill}", said, older)
        totals["kills"] += 1
        totals["before_it_was_open"] += "open" not in said
        totals["acknowledged"] += acknowledged
        totals["deleted"] += deleted
    print(json.dumps(totals))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
