"""The project's own photographs: truth that holds together, files as they should be.

The renderer itself is not needed here: scenes, geometry, projection and print are plain numpy.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
import pytest
from PIL import Image

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"
TRUTHS = sorted(p for p in FOLDER.glob("*.json") if "readable" in p.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def rendered() -> ModuleType:
    """The ``renderer`` package that lies beside the photographs."""
    sys.path.insert(0, str(FOLDER))
    try:
        import renderer.camera
        import renderer.meshes
        import renderer.printing
        import renderer.scene
        import renderer.truth
    finally:
        sys.path.remove(str(FOLDER))
    return renderer


@pytest.fixture(scope="module")
def own(rendered: ModuleType) -> dict[str, object]:
    """The scenes behind the committed photographs, by name."""
    sys.path.insert(0, str(FOLDER))
    try:
        import scenes
    finally:
        sys.path.remove(str(FOLDER))
    return {s.name: s for s in scenes.chosen(["all"])}


def facts(path: Path) -> dict:
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.fixture(params=TRUTHS, ids=[p.stem for p in TRUTHS])
def truth_file(request: pytest.FixtureRequest) -> Path:
    return request.param


class TestFiles:
    def test_photograph_is_large_enough_and_not_too_heavy(self, truth_file: Path) -> None:
        photo = truth_file.with_suffix(".jpg")
        assert photo.stat().st_size < 500_000
        truth = facts(truth_file)
        with Image.open(photo) as image:
            assert max(image.size) >= 1600
            orientation = image.getexif().get(0x0112, 1)
            focal = image.getexif().get_ifd(0x8769).get(0xA405)
            size = image.size[::-1] if orientation in (5, 6, 7, 8) else image.size
        assert orientation == truth["exif_orientation"]
        assert focal == truth["exif_focal_length_35mm"]
        assert size == (truth["width"], truth["height"])

    def test_truth_is_what_the_scene_says(
        self, truth_file: Path, own: dict, rendered: ModuleType
    ) -> None:
        again = json.loads(json.dumps(rendered.truth.truth(own[truth_file.stem])))
        assert facts(truth_file) == again


class TestTruth:
    def test_volume_is_bore_area_times_length(self, truth_file: Path) -> None:
        t = facts(truth_file)
        if not t["syringe_count"]:
            pytest.skip("no syringe in it")
        area = np.pi * t["inner_diameter_mm"] ** 2 / 4
        assert t["true_volume_ml"] == pytest.approx(area * t["fiducial_x_mm"] / 1000, abs=2e-5)
        assert t["nominal_ml"] == pytest.approx(area * t["scale_length_mm"] / 1000, rel=1e-5)
        assert 0 < t["true_volume_ml"] <= t["graduated_max_ml"]

    def test_air_and_liquid_make_up_the_volume(self, truth_file: Path) -> None:
        t = facts(truth_file)
        if not t["syringe_count"]:
            pytest.skip("no syringe in it")
        both = t["air_volume_ml"] + t["liquid_volume_ml"]
        assert both == pytest.approx(t["true_volume_ml"], abs=2e-5)
        bubbles = sum(i.get("volume_ml", 0) for i in t["air_items"])
        if t["air_mode"] == "plug":
            total = t["air_volume_ml"] + t["dead_space_ml"]
            assert total == pytest.approx(t["air_total_ml_incl_nozzle"], abs=2e-5)
        elif t["air_mode"] != "all":
            assert t["air_volume_ml"] == pytest.approx(bubbles, abs=2e-5)

    def test_lines_are_evenly_spaced_and_lie_along_the_axis(self, truth_file: Path) -> None:
        t = facts(truth_file)
        if not t["syringe_count"]:
            pytest.skip("no syringe in it")
        ticks = t["ticks"]
        assert len(ticks) == round(t["graduated_max_ml"] / t["scale_interval_ml"]) + 1
        per_ml = t["scale_length_mm"] / t["nominal_ml"]
        for tick in ticks:
            assert tick["x_mm"] == pytest.approx(tick["value_ml"] * per_ml, abs=1e-3)
        # Lines of one length are seen in a straight row, but for what the lens bends.
        for kind in {tick["kind"] for tick in ticks}:
            seen = np.array([tick["mid"] for tick in ticks if tick["kind"] == kind])
            way = (seen[-1] - seen[0]) / np.linalg.norm(seen[-1] - seen[0])
            off = (seen - seen[0]) @ np.array([-way[1], way[0]])
            assert np.abs(off).max() < 0.05 + 200 * abs(t["camera"]["k1"])

    def test_line_and_fiducial_points_agree_in_perspective(self, truth_file: Path) -> None:
        """Four points on a line keep their cross-ratio in any picture without distortion."""
        t = facts(truth_file)
        if not t["syringe_count"] or t["camera"]["k1"]:
            pytest.skip("no syringe in it, or a lens that bends")
        p = {k: np.array(v) for k, v in t["points"].items()}
        x = {"zero_axis": 0.0, "nominal_axis": t["scale_length_mm"],
             "fiducial_axis": t["fiducial_x_mm"]}  # fmt: skip
        back = np.array([p["barrel_axis_back"]])[0]
        front = p["zero_axis"]
        way = (back - front) / np.linalg.norm(back - front)
        a, b, c = (float((p[k] - front) @ way) for k in x)
        d = float((p["grad_max_axis"] - front) @ way)
        if t["graduated_max_ml"] == t["nominal_ml"]:
            pytest.skip("only three different points")
        xa, xb, xc = x.values()
        xd = t["graduated_max_ml"] / t["nominal_ml"] * t["scale_length_mm"]
        in_picture = (c - a) * (d - b) / ((c - b) * (d - a))
        in_space = (xc - xa) * (xd - xb) / ((xc - xb) * (xd - xa))
        assert in_picture == pytest.approx(in_space, rel=0.02)


class TestCoverage:
    """What the set as a whole must show."""

    @pytest.fixture
    def readable(self) -> list[dict]:
        return [t for t in map(facts, TRUTHS) if t["readable"]]

    def test_enough_to_read_and_four_to_refuse(self, readable: list[dict]) -> None:
        assert len(readable) >= 16
        reasons = {t["refuse_reason"] for t in map(facts, TRUTHS)} - {None}
        assert reasons == {"no_syringe", "cropped_plunger", "extreme_blur", "back_facing"}

    def test_variety(self, readable: list[dict]) -> None:
        nominal = {t["nominal_ml"] for t in readable}
        assert nominal >= {1.0, 5.0, 10.0, 20.0, 50.0}
        assert nominal & {2.5, 3.0}
        assert {t["stopper_colour"] for t in readable} >= {"black", "light grey", "blue", "brick"}
        assert {t["plunger_style"] for t in readable} == {"rubber", "one_piece"}
        assert {t["air_mode"] for t in readable} >= {"none", "plug", "bubbles", "long"}
        assert {t["card_colour"] for t in readable} >= {"white", "light grey", "blue", "black"}
        assert {t["scale_print"]["numerals"] for t in readable} == {"along", "across"}
        assert {t["content"] for t in readable} >= {"clear", "yellow", "amber", "pink"}
        tilts = [t["camera"]["tilt_deg"] for t in readable]
        assert min(tilts) < 3
        assert max(tilts) == 15
        quarters = {int(t["camera"]["inplane_deg"] // 90) for t in readable}
        assert quarters == {0, 1, 2, 3}

    def test_dilution_pair_shows_one_syringe_twice(self) -> None:
        before = facts(FOLDER / "dilution-before-nine-ml-of-diluent.json")
        after = facts(FOLDER / "dilution-after-drawing-one-ml.json")
        for key in ("inner_diameter_mm", "scale_length_mm", "scale_print", "stopper_colour"):
            assert before[key] == after[key]
        assert before["true_volume_ml"] == pytest.approx(9.0, abs=1e-4)
        assert after["true_volume_ml"] == pytest.approx(10.02, abs=1e-4)

    def test_refused_photographs_hide_what_they_should(self) -> None:
        hidden = facts(FOLDER / "refused-plunger-out-of-frame.json")
        assert not hidden["fiducial_in_frame"]
        assert hidden["zero_in_frame"]
        away = facts(FOLDER / "refused-back-of-the-barrel.json")
        assert not any(t["facing"] for t in away["ticks"])


def enclosed_mm3(mesh: object) -> float:
    """Volume inside a closed mesh by the divergence theorem."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


class TestGeometry:
    @pytest.mark.parametrize("number", [3, 9, 11, 32, 54, 57])
    def test_surfaces_enclose_the_stated_liquid(self, rendered: ModuleType, number: int) -> None:
        """All that bounds the liquid, added up as a mesh, against the closed formula."""
        s = rendered.scene.random_scene(number).placed[0].syringe
        if s.content == "empty":
            pytest.skip("no liquid in it")
        parts = s.meshes(segments=512)
        liquid = enclosed_mm3(parts["bore_liquid"]) + enclosed_mm3(parts["liquid_air"])
        if "air_liquid" in parts:
            liquid -= enclosed_mm3(parts["air_liquid"])
        front = rendered.meshes.lathe(s.cone_profile(s.fiducial_x_mm), segments=512)
        liquid -= enclosed_mm3(front)
        # 0.3 mm of the nozzle's tip stays free of liquid where there is no air pocket.
        unfilled = 0 if s.plug_mm is not None else 0.3 * np.pi * s.nozzle_bore_mm**2
        stated = 1000 * (s.true_volume_ml + s.dead_space_ml - s.air_total_ml) - unfilled
        assert liquid == pytest.approx(stated, rel=5e-4)

    def test_bubbles_stay_inside_the_liquid(self, rendered: ModuleType) -> None:
        seen = 0
        for number in range(120):
            for placed in rendered.scene.random_scene(number).placed:
                s = placed.syringe
                meshes = s.meshes(segments=48) if s.bubbles else {}
                if "air_liquid" not in meshes:
                    continue
                seen += 1
                v = meshes["air_liquid"].vertices
                assert np.hypot(v[:, 1], v[:, 2]).max() < s.bore_mm
                assert v[:, 0].min() > 0
                assert v[:, 0].max() < s.fiducial_x_mm - s.cone_height_mm
        assert seen > 10

    def test_dead_space_is_positive_and_small(self, rendered: ModuleType) -> None:
        """Common practice, no source: below a tenth of the capacity for any usual syringe."""
        for number in range(80):
            for placed in rendered.scene.random_scene(number).placed:
                s = placed.syringe
                assert 0 < s.dead_space_ml < 0.1 * s.nominal_ml

    def test_normals_point_away_from_the_axis_on_the_outer_wall(self, rendered: ModuleType) -> None:
        mesh = rendered.meshes.lathe([(0.0, 5.0), (20.0, 5.0)], segments=64)
        outward = (mesh.normals[:, 1:] * mesh.vertices[:, 1:]).sum(1)
        assert outward.min() > 0
        a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
        faces = np.cross(b - a, c - a)
        assert ((faces[:, 1:] * a[:, 1:]).sum(1) > 0).all()


class TestCamera:
    @pytest.fixture
    def camera(self, rendered: ModuleType) -> object:
        return rendered.camera.Camera(
            1840, 1380, 35, (4.0, -3.0, 8.0), 210.0, 11.0, 70.0, 33.0, k1=-0.027
        )

    def test_projection_is_that_of_opencv(self, camera: object) -> None:
        """The same camera written as OpenCV's pinhole model with one radial coefficient.

        OpenCV documentation, calib3d, "Detailed Description".
        """
        rng = np.random.default_rng(3)
        points = rng.uniform([-60, -40, 0], [60, 40, 25], (50, 3))
        f = camera.focal_px
        matrix = np.array([[f, 0, 920.0], [0, f, 690.0], [0, 0, 1]])
        k1 = camera.k1 * (f / camera.half_diagonal_px) ** 2
        turn = cv2.Rodrigues(camera.axes)[0]
        shift = -camera.axes @ camera.position_mm
        expected = cv2.projectPoints(points, turn, shift, matrix, np.array([k1, 0, 0, 0]))[0]
        assert camera.project(points) == pytest.approx(expected[:, 0], abs=1e-6)

    def test_axes_are_a_right_handed_frame(self, camera: object) -> None:
        assert camera.axes @ camera.axes.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(camera.axes) == pytest.approx(1)

    def test_undistorting_undoes_the_lens(self, camera: object) -> None:
        rng = np.random.default_rng(4)
        pixels = rng.uniform([0, 0], [1840, 1380], (200, 2))
        slopes = camera.undistorted(pixels)
        rays = np.column_stack([slopes, np.ones(len(slopes))]) @ camera.axes
        assert camera.project(camera.position_mm + 150 * rays) == pytest.approx(pixels, abs=1e-3)


class TestPrint:
    def test_ink_stands_where_the_lines_are(
        self, rendered: ModuleType, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        printing = rendered.printing
        monkeypatch.setattr(printing, "_text", lambda *_: np.zeros((2, 2), np.float32))
        placed = rendered.scene.random_scene(22).placed[0]
        s, scale = placed.syringe, placed.scale
        alpha = printing.ink_alpha(s, scale)
        per_mm = alpha.shape[1] / (s.flange_x_mm - s.print_start_x_mm)
        for tick in printing.ticks(s, scale):
            low, high = tick.arcs_deg[0]
            row = int(((low + high) / 2 / 360 + 0.5) * alpha.shape[0])
            middle = (tick.x_mm - s.print_start_x_mm) * per_mm
            cells = np.arange(int(middle - per_mm), int(middle + per_mm))
            cells = cells[(cells >= 0) & (cells < alpha.shape[1])]
            ink = alpha[row, cells]
            if cells[0] > middle - per_mm + 1:
                continue  # the zero line stands close to the front edge
            assert (ink * (cells + 0.5)).sum() / ink.sum() == pytest.approx(middle, abs=0.02)
            assert ink.sum() == pytest.approx(scale.line_mm * per_mm, rel=0.01)

    def test_numerals_are_multiples_of_the_numbered_increment(self, rendered: ModuleType) -> None:
        for number in range(60):
            for placed in rendered.scene.random_scene(number).placed:
                s = placed.syringe
                values = rendered.printing.numbered(s, placed.scale)
                assert values[-1] <= s.graduated_max_ml + 1e-9
                assert np.allclose(np.diff(values), s.numbered_increment_ml)


class TestRandomScenes:
    def test_a_number_always_gives_the_same_scene(self, rendered: ModuleType) -> None:
        make = rendered.scene.random_scene
        assert make(17) == make(17)
        assert make(17) != make(18)

    def test_readable_scenes_show_scale_and_stopper(self, rendered: ModuleType) -> None:
        readable = 0
        for number in range(150):
            scene = rendered.scene.random_scene(number)
            t = rendered.truth.truth(scene)
            if not t["readable"]:
                assert t["refuse_reason"] in rendered.scene.REFUSALS
                continue
            readable += 1
            assert t["zero_in_frame"]
            assert t["fiducial_in_frame"]
            assert t["nominal_in_frame"]
            assert abs(t["roll_error_to_camera_deg"]) < 60
            assert t["camera"]["tilt_deg"] <= 24
        assert 100 < readable < 150
