"""Printed sheets: geometry against published figures, and the PDF measured after rasterising."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.sheets import all_sheets, sheet_pdf, write_sheet
from tests.scenes.sheet_scenes import PAPER_SIZE, raster
from ui.cli import main
from vision.sheet_layouts import (
    CARD_MM,
    NAMES,
    PAPERS,
    STROBE_BARS,
    Circle,
    Label,
    Line,
    Polygon,
    arm_geometry,
    decode_numbers,
    disc_markers,
    encode_numbers,
    pages,
    sheet_of,
)

PRINT_TOL_MM = 0.05  # asked of the sheets
CORNER_TOL_MM = 0.02  # a chequer corner in a 300 dpi raster: a quarter of a pixel


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_has_true_size_and_corners(name: str, paper: str) -> None:
    """Page size: ISO 216 and ANSI Letter. Corners: layout millimetres, found by OpenCV."""
    document = pypdfium2.PdfDocument(sheet_pdf(name, paper=paper))
    made = pages(name)
    assert len(document) == len(made)
    for page in document:
        wide, tall = (v * 25.4 / 72 for v in page.get_size())
        assert wide == pytest.approx(PAPERS[paper][0], abs=0.01)
        assert tall == pytest.approx(PAPERS[paper][1], abs=0.01)
    for layout in made:
        places = layout.saddles()
        if not len(places):
            continue
        ink = raster(name, page=layout.page, dpi=300, paper=paper)
        pixels = places @ ink.to_px[:, :2].T + ink.to_px[:, 2]
        grey = np.clip(ink.grey * 255, 0, 255).astype(np.uint8)
        start = (pixels + 0.4).astype(np.float32).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
        found = cv2.cornerSubPix(grey, start, (6, 6), (-1, -1), stop).reshape(-1, 2)
        off = np.linalg.norm(found - pixels, axis=1) * 25.4 / 300
        assert off.max() < PRINT_TOL_MM
        assert off.mean() < CORNER_TOL_MM


@pytest.mark.parametrize("name", NAMES)
def test_check_bars_measure_100_mm(name: str) -> None:
    """The end strokes of both bars, located as dark columns in the raster."""
    for layout in pages(name):
        assert len(layout.bars) == 2
        ink = raster(name, page=layout.page, dpi=300)
        for bar in layout.bars:
            ends = np.array([[bar.x0, bar.y0], [bar.x1, bar.y1]])
            assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(100.0)
            along = (ends[1] - ends[0]) / 100
            across = np.array([-along[1], along[0]])
            seen = []
            for end in ends:
                steps = np.arange(-1.5, 1.5, 0.02)
                line = end + across * 1.3 + steps[:, None] * along
                px = (line @ ink.to_px[:, :2].T + ink.to_px[:, 2]).astype(np.float32)
                values = cv2.remap(ink.grey, px[:, 0], px[:, 1], cv2.INTER_LINEAR).ravel()
                dark = 1 - values
                assert dark.max() > 0.3
                seen.append(float(np.sum(steps * dark) / np.sum(dark)))
            assert 100 + seen[1] - seen[0] == pytest.approx(100.0, abs=PRINT_TOL_MM)


@pytest.mark.parametrize("name", NAMES)
def test_ink_stays_on_both_papers(name: str) -> None:
    """Within 5 mm of the edge of A4 and Letter: what home printers reach (from memory)."""
    half_x = min(w for w, _ in PAPERS.values()) / 2 - 5
    half_y = min(h for _, h in PAPERS.values()) / 2 - 5
    for layout in pages(name):
        xs, ys = [], []
        for marker in layout.markers():
            xs += list(marker.corners()[:, 0])
            ys += list(marker.corners()[:, 1])
        for shape in layout.shapes:
            if isinstance(shape, Line):
                xs += [shape.x0, shape.x1]
                ys += [shape.y0, shape.y1]
            elif isinstance(shape, Polygon):
                xs += [p[0] for p in shape.points]
                ys += [p[1] for p in shape.points]
            elif isinstance(shape, Circle):
                xs += [shape.x - shape.radius, shape.x + shape.radius]
                ys += [shape.y - shape.radius, shape.y + shape.radius]
            else:
                assert isinstance(shape, Label)
                xs.append(shape.x)
                ys.append(shape.y)
        assert max(map(abs, xs)) <= half_x
        assert max(map(abs, ys)) <= half_y


def test_every_page_says_name_version_and_care() -> None:
    for name in NAMES:
        document = pypdfium2.PdfDocument(sheet_pdf(name))
        words = " ".join(page.get_textpage().get_text_range() for page in document)
        assert "Deckplumb" in words
        assert "version 1" in words
        assert "100 %" in words
        assert "check bar" in words
        assert "85.60" in words  # ISO/IEC 7810 ID-1
    disc = pypdfium2.PdfDocument(sheet_pdf("disc"))
    text = " ".join(page.get_textpage().get_text_range() for page in disc)
    assert "photosensitive" in text
    assert "Unplug" in text


def test_card_outline_is_id1() -> None:
    """ISO/IEC 7810 ID-1: 85.60 mm x 53.98 mm, drawn by its corner marks."""
    assert CARD_MM == (85.60, 53.98)
    layout = pages("alignment")[0]
    x, y = layout.card
    marks = [s for s in layout.shapes if isinstance(s, Line) and s.grey == 1.0]
    xs = [v for s in marks for v in (s.x0, s.x1)]
    ys = [v for s in marks for v in (s.y0, s.y1)]
    assert max(xs) - min(xs) == pytest.approx(85.60)
    assert max(ys) - min(ys) == pytest.approx(53.98)
    assert (max(xs) + min(xs)) / 2 == pytest.approx(x)
    assert (max(ys) + min(ys)) / 2 == pytest.approx(y)


def test_marker_numbers_are_unique_and_decodable() -> None:
    """OpenCV's own detector reads every marker off the raster."""
    used: dict[int, str] = {}
    settings_ = cv2.aruco.DetectorParameters()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    detector = cv2.aruco.ArucoDetector(dictionary, settings_)
    for version in (0, 1):
        for name in NAMES:
            for layout in pages(name, version=version):
                for marker in layout.markers():
                    assert sheet_of(marker.number) == (name, version)
                    assert marker.number not in used
                    used[marker.number] = name
    for name in ("alignment", "disc"):
        for layout in pages(name):
            grey = (raster(name, page=layout.page, dpi=150).grey * 255).astype(np.uint8)
            _, ids, _ = detector.detectMarkers(grey)
            wanted = {m.number for m in (*layout.markers(), *layout.digits)}
            assert wanted <= set(np.asarray(ids).reshape(-1).tolist())


@given(
    st.floats(40, 90),
    st.floats(45, 60),
    st.floats(180, 400),
)
@settings(max_examples=60, deadline=None)
def test_digits_carry_the_numbers(n1: float, gap: float, length: float) -> None:
    n2 = max(n1 + gap, 80.0)
    numbers = encode_numbers(n1, n2, length)
    assert all(600 <= n < 1000 for n in numbers)
    assert len(set(numbers)) == 6
    back = decode_numbers(reversed(numbers))
    assert back is not None
    assert back == (
        pytest.approx(n1, abs=0.0251),
        pytest.approx(n2, abs=0.0251),
        pytest.approx(length, abs=0.0501),
    )
    assert decode_numbers(numbers[:5]) is None
    assert decode_numbers((numbers[0] + (1 if numbers[0] < 665 else -1), *numbers[1:])) is None


def test_null_points_lie_on_the_arc_and_the_grid_on_the_groove() -> None:
    """Mounting distance sqrt(L^2 - n1 n2), offset asin((n1 + n2) / 2L): Baerwald 1941.

    At a null the cartridge axis is square to the radius when the arm stands on the arc.
    """
    layout = pages("alignment", null_radii_mm=(65.998, 120.891), effective_length_mm=240.0)[0]
    distance, offset = arm_geometry(66.0, 120.9, 240.0)
    assert distance == pytest.approx(math.sqrt(240.0**2 - 66.0 * 120.9))
    spindle = np.array(layout.spindle)
    pivot = spindle + [layout.numbers["mounting_distance_mm"], 0.0]
    for null in layout.nulls:
        at = np.array([null.x, null.y])
        assert np.linalg.norm(at - spindle) == pytest.approx(null.radius)
        assert np.linalg.norm(at - pivot) == pytest.approx(240.0, abs=1e-6)
        to_pivot = math.atan2(*(pivot - at)[::-1])
        assert math.degrees(to_pivot) - null.angle == pytest.approx(math.degrees(offset), abs=1e-6)
        radius = (at - spindle) / null.radius
        groove = [math.cos(math.radians(null.angle)), math.sin(math.radians(null.angle))]
        assert abs(float(radius @ groove)) < 1e-9


def test_strobe_bars_follow_the_mains() -> None:
    """Bars = 120 f / rpm: 180/216, 133/160, 77/92 (handbook values for 50 and 60 Hz)."""
    for label, rpm in (("33 1/3", 100 / 3), ("45", 45.0), ("78", 78.0)):
        assert STROBE_BARS[label] == (round(120 * 50 / rpm), round(120 * 60 / rpm))
    layout = pages("disc")[0]
    centre = np.array(layout.points["disc"])
    bars: dict[float, int] = {}
    for shape in layout.shapes:
        if isinstance(shape, Polygon) and len(shape.points) == 4:
            r = np.linalg.norm(np.array(shape.points) - centre, axis=1)
            if r.min() > 55 and np.ptp(np.sort(r)[:2]) < 1e-9 and r.max() < 88:
                bars[round(float(r.min()), 3)] = bars.get(round(float(r.min()), 3), 0) + 1
    assert sorted(bars.values()) == sorted([180, 216, 133, 160, 77, 92])
    assert max(float(np.abs(m.corners()).max()) for m in disc_markers("disc")) < 95


@pytest.mark.parametrize(
    ("what", "name", "kwargs"),
    [
        ("null_radii_mm", "alignment", {"null_radii_mm": (120.0, 66.0)}),
        ("effective_length_mm", "alignment", {"effective_length_mm": 24.0}),
        ("sheet", "poster", {}),
        ("version", "level", {"version": 7}),
    ],
)
def test_impossible_numbers_name_the_field(what: str, name: str, kwargs: dict) -> None:
    with pytest.raises(ValueError, match=what):
        pages(name, **kwargs)


def test_write_and_command_line(tmp_path, capsys) -> None:
    paths = all_sheets(tmp_path / "all", paper="letter")
    assert [p.name for p in paths] == [f"deckplumb-{n}-letter.pdf" for n in NAMES]
    assert all(p.read_bytes().startswith(b"%PDF") for p in paths)
    assert write_sheet("disc", tmp_path / "d.pdf").name == "d.pdf"
    with pytest.raises(ValueError, match="paper"):
        write_sheet("disc", tmp_path / "x.pdf", paper="a5")
    target = tmp_path / "a.pdf"
    arguments = ["sheet", "alignment", "--out", str(target), "--effective-length", "237"]
    assert main(arguments) == 0
    assert target.exists()
    assert "100 %" in capsys.readouterr().out
    arguments[-1] = "23.7"
    assert main(arguments) == 2
    assert "effective_length_mm" in capsys.readouterr().err
    assert main(["sheet", "--all", "--out", str(tmp_path / "every")]) == 0
    assert len(list((tmp_path / "every").glob("*.pdf"))) == len(NAMES)
    assert set(PAPER_SIZE) == set(PAPERS)
