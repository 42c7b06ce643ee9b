"""Read all pictures made to mislead, and print what came of them, by kind, as a table.

    python tests/harness/adversarial_counts.py [--save FOLDER]

With --save the pictures are kept as well, to be looked at.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from pathlib import Path

import cv2

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from adversarial import CASES, Case, is_believed, is_right

from drawmark.vision.model import Reading
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.reading import read_pixels


def answer(case: Case, folder: Path | None) -> str:
    """The code of the refusal, or whether it was read right."""
    picture = case.make()
    if folder is not None:
        cv2.imwrite(str(folder / f"{case.name}.jpg"), picture)
    outcome = read_pixels(photo_from_pixels(picture))
    if not isinstance(outcome, Reading):
        code = outcome.reasons[0].code
        if case.kind == "wrong scale" and is_believed(outcome):
            return f"scale believed, then `{code}`: {case.name}"
        return f"`{code}`"
    what = f"{outcome.volume_ml:.3f} ± {outcome.expanded_uncertainty_ml:.3f}"
    print(f"{case.name}: {what} of {outcome.graduated_max_ml:g} mL", file=sys.stderr, flush=True)
    return "read right" if is_right(outcome, case.truth) else f"**read wrong: {case.name}**"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--save", metavar="FOLDER", type=Path)
    folder = parser.parse_args().save
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for case in CASES:
        counts[case.kind][answer(case, folder)] += 1
    print("| kind | pictures | answers |\n|---|---|---|")
    for kind, answers in counts.items():
        told = ", ".join(f"{what} {n}" for what, n in answers.most_common())
        print(f"| {kind} | {answers.total()} | {told} |")
    total = sum(counts.values(), Counter())
    print(f"| all | {total.total()} | {', '.join(f'{w} {n}' for w, n in total.most_common())} |")


if __name__ == "__main__":
    main()
