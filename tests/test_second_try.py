"""What the reader does where the first look does not settle the scale."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from spoilt_photographs import empty_desks, photo_of, sample, side_by_side

from drawmark.vision import reading, sureness
from drawmark.vision.barrel import barrel_of
from drawmark.vision.labelling import Labelling, reads_better_mirrored
from drawmark.vision.model import Reading, Refusal
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.scales import Scale
from drawmark.vision.silhouette import Outline, Silhouettes

if TYPE_CHECKING:
    from collections.abc import Iterator

FIVE, WORN = "five-ml-black-stopper-air-pocket", "ten-ml-brick-stopper-worn-print"


@pytest.mark.parametrize("name", [FIVE, WORN])
def test_painted_lines_lead_to_the_scale_that_measured_ones_do(name: str) -> None:
    photo = photo_of(name)
    search = reading._Search(photo, Silhouettes(photo.bgr))
    measured, painted = search.graduations(), search.painted()
    assert not isinstance(measured, reading.Reason)
    assert painted is not None
    facing = [t for t in sample(name)[1]["ticks"] if t["facing"]]
    places = np.array([t["mid"] for t in facing]) - 0.5
    for graduations in (measured, painted):
        k = graduations.lattice.k(graduations.cylinder.surface(places)[0])
        assert np.abs(k - np.round(k)).max() < 0.2


ONE, TWENTY = "one-ml-black-stopper-white-card", "twenty-ml-black-stopper-pink-liquid-kraft-card"


@pytest.mark.parametrize("name", [ONE, FIVE, TWENTY])
def test_numerals_lead_to_the_scale_that_lines_do(name: str) -> None:
    photo, truth = photo_of(name), sample(name)[1]
    search = reading._Search(photo, Silhouettes(photo.bgr))
    told = reading._told_labelling(search, None)
    assert told is not None
    graduations, labelling = told
    scale = truth["graduated_max_ml"], truth["scale_interval_ml"], truth["numbered_increment_ml"]
    assert (
        labelling.scale.largest_ml,
        labelling.scale.interval_ml,
        labelling.scale.numbered_ml,
    ) == pytest.approx(scale)
    facing = [t for t in truth["ticks"] if t["facing"]]
    x = graduations.cylinder.surface(np.array([t["mid"] for t in facing]) - 0.5)[0]
    off = labelling.value_ml(graduations.lattice.k(x)) - [t["value_ml"] for t in facing]
    assert np.abs(off).max() < 0.2 * labelling.scale.interval_ml


def test_what_the_first_look_leaves_open_is_read_by_the_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The first labelling is declared unsure: the photograph is read all the same, and right."""
    photo, truth = photo_of(FIVE), sample(FIVE)[1]
    is_sure, asked = sureness.is_sure, []

    def unsure_at_first(*args: object) -> bool:
        asked.append(args)
        return len(asked) > 1 and is_sure(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(sureness, "is_sure", unsure_at_first)
    outcome = reading.read_pixels(photo)
    assert len(asked) == 2
    assert isinstance(outcome, Reading)
    assert abs(outcome.volume_ml - truth["true_volume_ml"]) < outcome.expanded_uncertainty_ml


THREE = "three-ml-grey-stopper-pale-blue-card"


@pytest.mark.parametrize("name", [THREE, TWENTY])
def test_what_numerals_leave_open_two_fits_may_tell(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No labelling is sure by itself: two that agree are read all the same, and right."""
    photo, truth = photo_of(name), sample(name)[1]
    monkeypatch.setattr(reading, "is_settled", lambda *_: False)
    outcome = reading.read_pixels(photo)
    assert isinstance(outcome, Reading)
    assert outcome.graduated_max_ml == truth["graduated_max_ml"]
    assert abs(outcome.volume_ml - truth["true_volume_ml"]) < outcome.expanded_uncertainty_ml
    monkeypatch.setattr(reading, "_told_twice", lambda *_: False)
    refused = reading.read_pixels(photo)
    assert isinstance(refused, Refusal)
    assert refused.reasons[0].code == "scale-ambiguous"


@pytest.mark.parametrize("interval_ml", [None, 1.0])
def test_what_numerals_leave_open_a_statement_settles(
    interval_ml: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the right syringe; one that the print speaks against is not believed."""
    photo, truth = photo_of(TWENTY), sample(TWENTY)[1]
    monkeypatch.setattr(reading, "is_settled", lambda *_: False)
    monkeypatch.setattr(reading, "_told_twice", lambda *_: False)
    assert truth["scale_interval_ml"] == 1.0
    outcome = reading.read_pixels(photo, capacity_ml=20.0, interval_ml=interval_ml)
    assert isinstance(outcome, Reading)
    assert outcome.evidence.notes == (reading.AS_STATED,)
    assert outcome.graduated_max_ml == truth["graduated_max_ml"]
    assert abs(outcome.volume_ml - truth["true_volume_ml"]) < outcome.expanded_uncertainty_ml
    for capacity_ml, other_ml in ((10.0, 0.5), (2.0, 0.1), (None, None)):
        interval = other_ml if interval_ml is not None else None
        refused = reading.read_pixels(photo, capacity_ml=capacity_ml, interval_ml=interval)
        assert isinstance(refused, Refusal)
        assert refused.reasons[0].code == "scale-ambiguous"


def test_lines_too_few_points_agree_on_are_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """However sure the labelling seems: neither as measured, nor as painted, nor as supposed."""
    photo = photo_of(TWENTY)
    outcome = reading.read_pixels(photo)
    assert isinstance(outcome, Reading)
    search = reading._Search(photo, Silhouettes(photo.bgr))
    found, painted = search.graduations(), search.painted()
    assert isinstance(found, reading.Graduations)
    assert painted is not None
    heaviest = max(g.weight for g in (found, painted, *search.numbered()))
    monkeypatch.setattr(reading, "LEAST_WEIGHT", heaviest + 1)
    refused = reading.read_pixels(photo)
    assert isinstance(refused, Refusal)
    assert refused.reasons[0].code == "scale-ambiguous"
    monkeypatch.setattr(reading, "LEAST_WEIGHT", found.weight)
    assert isinstance(reading.read_pixels(photo), Reading)


@pytest.mark.parametrize(
    ("read", "capacity_ml", "noted"), [(2, None, False), (1, None, True), (1, 20.0, False)]
)
def test_a_syringe_told_without_numerals_is_to_be_looked_at(
    read: int, capacity_ml: float | None, noted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    find = reading.label_lines

    def hardly_read(*args: object, **looks: object) -> object:
        labelling = find(*args, **looks)  # type: ignore[arg-type]
        assert isinstance(labelling, Labelling)
        return replace(labelling, read=labelling.read[:read])

    monkeypatch.setattr(reading, "label_lines", hardly_read)
    monkeypatch.setattr(reading, "is_settled", lambda *_: True)
    outcome = reading.read_pixels(photo_of(TWENTY), capacity_ml=capacity_ml)
    assert isinstance(outcome, Reading)
    assert outcome.evidence.notes == ((reading.NUMERALS_HARDLY_SEEN,) if noted else ())


def test_two_fits_must_tell_the_same_scale_in_the_same_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photo = photo_of(TWENTY)
    search = reading._Search(photo, Silhouettes(photo.bgr))
    found, painted = search.graduations(), search.painted()
    assert not isinstance(found, reading.Reason)
    assert painted is not None
    first, second = (reading.label_lines(g, None) for g in (found, painted))
    assert first is not None
    assert second is not None

    def told(again: Labelling, at_first: Labelling | None = first) -> bool:
        return reading._told_twice((found, at_first), (painted, again))

    assert told(second)
    assert not told(second, None)
    # either way of telling is enough, but it must be the same one for both
    little = {"lines_margin": 2.4, "margin": sureness.MARGIN_TOLD_TWICE_BY_ALL - 0.1}
    by_all = {"lines_margin": 2.4, "margin": sureness.MARGIN_TOLD_TWICE_BY_ALL + 0.1}
    assert not told(second, replace(first, **little))  # type: ignore[arg-type]
    assert not told(replace(second, **little))  # type: ignore[arg-type]
    assert told(replace(second, **by_all), replace(first, **by_all))  # type: ignore[arg-type]
    lines_alone = {"lines_margin": 2.6, "margin": 2.6}
    one = replace(first, **lines_alone)  # type: ignore[arg-type]
    assert told(replace(second, **lines_alone), one)  # type: ignore[arg-type]
    assert not told(replace(second, **by_all), one)  # type: ignore[arg-type]
    assert not told(replace(second, zero_k=second.zero_k + 1))
    assert not told(replace(second, direction=-second.direction))
    longer = replace(second.scale, largest_ml=second.scale.largest_ml + 5)
    assert not told(replace(second, scale=longer))
    monkeypatch.setattr(reading, "reads_better_mirrored", lambda *_: True)
    assert not told(second)


@pytest.mark.parametrize(
    ("ends", "goes_on", "believed"), [(0.0, False, False), (5.0, False, True), (0.0, True, True)]
)
def test_past_the_last_line_that_is_seen_the_scale_must_be_seen_to_end(
    ends: float, goes_on: bool, believed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stopper may hide more of the scale: then there must be one that goes on."""
    photo, truth = photo_of(FIVE), sample(FIVE)[1]
    interval = truth["scale_interval_ml"]
    shorter = np.floor(truth["true_volume_ml"] / interval - 0.7) * interval
    find = reading.label_lines

    def too_short(*args: object, **looks: object) -> object:
        labelling = find(*args, **looks)  # type: ignore[arg-type]
        assert isinstance(labelling, Labelling)
        scale = Scale(float(shorter), interval, labelling.scale.numbered_ml)
        longer = (labelling.scale,) if goes_on else ()
        return replace(labelling, scale=scale, longer=longer, next_seen=False, ends=ends)

    monkeypatch.setattr(reading, "label_lines", too_short)
    # the barrel, which goes on, is asked too, and later
    monkeypatch.setattr(reading, "goes_with_barrel", lambda *_: True)
    outcome = reading.read_pixels(photo)
    if believed:
        assert isinstance(outcome, Reading)
        assert outcome.graduated_max_ml == (truth["graduated_max_ml"] if goes_on else shorter)
        off = abs(outcome.volume_ml - truth["true_volume_ml"])
        assert off < outcome.expanded_uncertainty_ml
    else:
        assert isinstance(outcome, Refusal)
        assert outcome.reasons[0].code == "scale-ambiguous"


def test_a_texture_is_not_two_syringes() -> None:
    """Of many hundred points some always agree."""
    *_, cloth = empty_desks()
    outcome = reading.read_pixels(photo_from_pixels(cloth, None))
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "no-syringe"


@pytest.mark.parametrize(
    ("share", "aside", "glaring", "another"),
    [
        (0.95, 0.0, False, True),
        (0.95, 0.0, True, True),
        (0.8, 0.0, False, True),
        (0.8, 0.0, True, False),
        (0.6, 0.0, False, False),
        (0.8, 4.0, False, False),
    ],
)
def test_what_may_be_a_second_syringe_is_one_if_it_has_a_scale(
    share: float, aside: float, glaring: bool, another: bool
) -> None:
    """*aside*: radii beside the second barrel, where there are no lines."""
    pair = side_by_side("dilution-after-drawing-one-ml", "dilution-before-nine-ml-of-diluent")
    photo = photo_from_pixels(pair, None)
    search = reading._Search(photo, Silhouettes(photo.bgr))
    first, second = search.outlines[:2]
    sight = reading.look_at(photo, barrel_of(first))
    assert sight is not None
    assert sight.middle is not None
    fitted = reading.find_graduations(photo, sight.middle)
    assert fitted is not None
    normal = np.array([-second.axis[1], second.axis[0]])
    moved = second.centre + aside * second.radius_px * normal

    class Unsure(Silhouettes):
        def others(self, *_: object) -> Iterator[Outline]:
            yield replace(second, share=share, centre=moved)

    seen = Unsure(photo.bgr)
    assert reading._another_syringe(photo, seen, fitted, glaring) is another


@pytest.mark.parametrize(
    ("beside", "share", "another"), [(False, 0.85, True), (False, 0.6, False), (True, 0.85, False)]
)
def test_a_second_syringe_may_be_cut_off_so_that_no_pose_fits_its_lines(
    beside: bool, share: float, another: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What lies no farther than a shadow may be one: its lines have to be fitted."""
    pair = side_by_side("dilution-after-drawing-one-ml", "dilution-before-nine-ml-of-diluent")
    photo = photo_from_pixels(pair, None)
    seen = Silhouettes(photo.bgr)
    first, second = seen.barrels()[:2]
    sight = reading.look_at(photo, barrel_of(first))
    assert sight is not None
    assert sight.middle is not None
    fitted = reading.find_graduations(photo, sight.middle)
    assert fitted is not None
    monkeypatch.setattr(Silhouettes, "others", lambda *_: iter([replace(second, share=share)]))
    monkeypatch.setattr(reading, "find_graduations", lambda *_: None)
    if beside:
        away = abs(float(fitted.cylinder.miss_distance(second.centre)))
        monkeypatch.setattr(reading, "APART", away)
    assert reading._another_syringe(photo, seen, fitted, False) is another


@pytest.mark.parametrize(
    ("aside", "turned_deg", "wider", "another"),
    [(0.0, 0.0, 1.0, False), (0.4, 5.0, 1.2, False), (0.0, 180.0, 1.0, False),
     (0.7, 0.0, 1.0, True), (0.0, 15.0, 1.0, True), (0.0, 0.0, 1.4, True)],
)  # fmt: skip
def test_the_rest_of_a_barrel_is_no_second_syringe(
    aside: float, turned_deg: float, wider: float, another: bool
) -> None:
    """Lines may be fitted on a piece of a barrel; what lies in line with it is the same one."""
    photo = photo_of(FIVE)
    fitted = reading._Search(photo, Silhouettes(photo.bgr)).graduations()
    assert not isinstance(fitted, reading.Reason)
    cylinder = fitted.cylinder
    near, far = cylinder.project(np.array([-1.0, 1.0]), 0.0, 0.0)
    axis = (far - near) / np.hypot(*(far - near))
    turn = np.radians(turned_deg)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ axis
    centre = far + aside * cylinder.radius_px * np.array([-axis[1], axis[0]])
    radius_px = wider * cylinder.radius_px
    rest = Outline(centre, turned, 8 * radius_px, radius_px, 1.0, 0.97, True)

    class InLine(Silhouettes):
        def others(self, *_: object) -> Iterator[Outline]:
            yield rest

    assert reading._another_syringe(photo, InLine(photo.bgr), fitted, False) is another


@pytest.mark.parametrize(("mirrored", "better"), [(False, False), (True, True)])
def test_a_mirror_that_agrees_beyond_chance_is_believed(mirrored: bool, better: bool) -> None:
    """However many looks at the surface as it is agree as well as the best in the mirror."""
    photo = photo_of(FIVE)
    graduations = reading._Search(photo, Silhouettes(photo.bgr)).graduations()
    assert not isinstance(graduations, reading.Reason)
    labelling = reading.label_lines(graduations, None)
    assert labelling is not None
    assert labelling.looks is not None
    looks = labelling.looks.mirrored() if mirrored else labelling.looks
    unread = replace(labelling, looks=looks, numeral_score=5.0)
    assert reads_better_mirrored(graduations, unread) is better


@pytest.mark.parametrize("magnified", sureness.OTHER_MAGNIFICATIONS)
def test_a_magnified_surface_shows_the_same_numerals(magnified: float) -> None:
    photo = photo_of(FIVE)
    graduations = reading._Search(photo, Silhouettes(photo.bgr)).graduations()
    assert not isinstance(graduations, reading.Reason)
    plain, again = (reading.label_lines(graduations, None, magnified=m) for m in (1.0, magnified))
    assert plain is not None
    assert again is not None
    assert len(again.flat_x) == pytest.approx(magnified * len(plain.flat_x), abs=2)
    assert again.labels == plain.labels
    assert [value for _, value, _ in again.read] == [value for _, value, _ in plain.read]
    assert np.degrees(again.azimuth) == pytest.approx(np.degrees(plain.azimuth), abs=4)
