"""What the network shows, and what is made of it: which pairs of edges may be a body's.

The shapes are polygons filled by scikit-image, placed by plane geometry written here.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage import draw

from vision import azimuth, azimuth_shown
from vision.azimuth_body import BODY, HOLDER, IMAGE, ROD, UNDER, show_kinds
from vision.azimuth_choose import LEAST_SHARE, LEAST_SIDES, doubts
from vision.azimuth_fit import Fitted
from vision.azimuth_look import Borders
from vision.azimuth_near import frame
from vision.azimuth_shown import Witness, rod_between, rod_usual
from vision.azimuth_tilt import Tilt
from vision.reading import Refusal

Array = NDArray[np.float64]
SHAPE = (336, 448)
EDGE = np.array([[120.0, 150.0], [320.0, 154.0]])
BACK, CREASE = EDGE + [0.0, 20.0], EDGE + [0.0, 60.0]


def kinds() -> NDArray[np.float32]:
    """A body under its holder, over the images of its underside and its face."""
    mask = np.zeros(SHAPE, int)
    for top, low, kind in (
        (EDGE - [0.0, 110.0], EDGE - [0.0, 90.0], HOLDER),
        (EDGE - [0.0, 90.0], EDGE, BODY),
        (BACK, CREASE, UNDER),
        (CREASE, CREASE + [0.0, 90.0], IMAGE),
    ):
        corners = np.concatenate([top, low[::-1]])
        rows, columns = draw.polygon(corners[:, 1], corners[:, 0], SHAPE)
        mask[rows, columns] = kind
    return np.stack([(mask == k).astype(np.float32) for k in range(6)])


@pytest.fixture
def witness(monkeypatch: pytest.MonkeyPatch) -> Witness:
    """Looks at `kinds`, and is asked in pixels of a photo four times as large."""
    monkeypatch.setattr(azimuth_shown, "show_kinds", lambda _: (kinds(), 0.5))
    return Witness(np.zeros((672, 896, 3), np.uint8), 0.5)


def in_photo(line: Array) -> Array:
    """Pixel centres lie at integers, so point p goes to 4 p + 3/2."""
    return 4 * line + 1.5


@pytest.mark.parametrize(
    ("edge", "image", "may_be", "border"),
    [
        (EDGE, CREASE, True, True),  # the lower edge and its image
        (EDGE, BACK, True, True),  # the image of the underside's far edge is parallel to it
        (EDGE, CREASE + [0.0, 40.0], True, True),  # a line on the face's image
        (EDGE - [0.0, 40.0], CREASE, True, False),  # a line on the face
        (EDGE, BACK + [0.0, 20.0], False, True),  # a line on the underside: print, or a shadow
        (EDGE, EDGE, False, True),  # the body's own edge is no image
        (CREASE, CREASE + [0.0, 40.0], False, True),  # two edges of the image
        (EDGE - [0.0, 90.0], CREASE, False, False),  # the holder's lower edge
        (EDGE + [-160.0, 0.0], CREASE + [-160.0, 0.0], False, True),  # beside the body
    ],
)
def test_pairs_are_what_they_lie_on(
    witness: Witness, edge: Array, image: Array, may_be: bool, border: bool
) -> None:
    shown = witness(in_photo(edge), in_photo(image))
    assert (shown.may_be, shown.border > 0.6) == (may_be, border)


def hung(top: float, low: float) -> NDArray[np.float32]:
    """The same with a rod ten pixels wide, from ``top`` to ``low`` below the body's lower edge."""
    share = kinds()
    middle = EDGE.mean(axis=0)
    rows, columns = draw.polygon(
        middle[1] + np.array([top, top, low, low]), middle[0] + np.array([-5, 5, 5, -5])
    )
    share[:, rows, columns] = np.eye(6)[ROD][:, None]
    return share


@pytest.mark.parametrize(
    ("top", "low", "at"),
    [(0, 60, 0.5), (-20, 50, 0.25), (20, 60, 2 / 3), (-80, -20, -5 / 6), (100, 120, 11 / 6)],
)
def test_a_cantilever_hangs_between_an_edge_and_its_image(
    monkeypatch: pytest.MonkeyPatch, top: float, low: float, at: float
) -> None:
    """The middle of a rectangle is half way; edge and crease are 60 px apart."""
    monkeypatch.setattr(azimuth_shown, "show_kinds", lambda _: (hung(top, low), 0.5))
    witness = Witness(np.zeros((672, 896, 3), np.uint8), 0.5)
    assert rod_between(witness.shows[ROD], EDGE, CREASE) == pytest.approx(at, abs=0.02)
    assert witness.rod_seen
    assert witness.holds_rod(in_photo(EDGE), in_photo(CREASE)) == (0 < at < 1)


def test_a_nearer_look_framed_by_other_edges_is_not_heeded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two borders under the cantilever's image frame a look as well as body and image do."""
    monkeypatch.setattr(azimuth_shown, "show_kinds", lambda _: (hung(0, 60), 0.5))
    witness = Witness(np.zeros((672, 896, 3), np.uint8), 0.5)
    looks = [
        Borders([], [], [], frame(in_photo(edge), in_photo(edge + [0.0, 50.0])))
        for edge in (EDGE, CREASE + [0.0, 20.0])
    ]
    monkeypatch.setattr(azimuth, "tilt_in", lambda rgb, scale, frame: Tilt(0.0, 0.1))
    right, wrong = (
        azimuth._surest(np.zeros((4, 4, 3), np.uint8), 1.0, [k], witness) for k in looks
    )
    assert right == (looks[0], Tilt(0.0, 0.1))
    assert wrong == (None, None)


def test_where_no_cantilever_is_seen_any_pair_may_hold_it(witness: Witness) -> None:
    rod = rod_between(witness.shows[ROD], EDGE, CREASE)
    assert rod is None and rod_usual(rod) == 1
    assert witness.holds_rod(in_photo(EDGE), in_photo(CREASE))
    assert not witness.rod_seen


@pytest.mark.parametrize("size", [(1200, 1600), (1600, 1200), (900, 1600), (336, 448)])
def test_the_copy_keeps_the_shape_of_any_picture(size: tuple[int, int]) -> None:
    share, scale = show_kinds(np.full((*size, 3), 120, np.uint8))
    assert share.shape == (6, *SHAPE)
    assert scale == pytest.approx(min(SHAPE[0] / size[0], SHAPE[1] / size[1]))
    assert share.sum(axis=0) == pytest.approx(np.ones(SHAPE), abs=1e-4)


def chosen(
    share: float, sides: int, miss_deg: float | None, nothing: float = 0.0, left: float = 400.0
) -> Any:
    """A choice as far as `doubts` looks at it; its image begins at ``left``."""
    names = ("left", "right", "left image", "right image")[:sides]
    side = SimpleNamespace(edge=SimpleNamespace(blur=1.0))
    best = Fitted(
        candidate=None,
        edge=SimpleNamespace(
            edge=SimpleNamespace(length=800.0, blur=1.0, ends=((400.0, 500.0), (1200.0, 510.0)))
        ),
        image=SimpleNamespace(edge=SimpleNamespace(ends=((left, 700.0), (1200.0, 690.0)))),
        sides=dict.fromkeys(names, side),
        half=0.0,
        by_sides=None if miss_deg is None else math.radians(miss_deg),
        score=1.0,
        alike=1.0,
    )
    return SimpleNamespace(best=best, width=800.0, share=share, nothing=nothing)


def test_a_sure_choice_is_not_doubted() -> None:
    assert doubts(chosen(0.95, 2, None), 2.6, 1600) is None
    assert doubts(chosen(0.95, 2, None, left=60.0), 2.6, 1600) is None


def test_an_edge_that_the_pictures_rim_cuts_is_doubted() -> None:
    doubt = doubts(chosen(0.95, 2, None, left=9.0), 2.6, 1600)
    assert doubt is not None and "runs out of the picture" in doubt.reason


@pytest.mark.parametrize(
    ("share", "nothing", "sides", "miss_deg", "reason"),
    [
        (LEAST_SHARE - 0.05, 0.3, 4, 0.1, "for certain"),
        (LEAST_SHARE - 0.05, 0.0, 4, 0.1, "disagree"),
        (0.95, 0.0, 0, None, "sides"),
        (0.95, 0.0, 4, 3.5, "disagree by 3.5"),
    ],
)
def test_doubts(
    share: float, nothing: float, sides: int, miss_deg: float | None, reason: str
) -> None:
    doubt = doubts(chosen(share, sides, miss_deg, nothing), 2.6, 1600)
    assert doubt is not None and reason in doubt.reason


def test_without_a_cantilever_a_pair_must_be_surer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A face that fills a picture shows pairs of edges; no cantilever stands out between them."""
    photo = SimpleNamespace(width=1600, height=1200)
    asked = []

    def doubted(choice: Any, sharp: float, frame: int, least: float, sides: int) -> Any:
        assert sides == LEAST_SIDES
        asked.append(least)
        return azimuth.NO_BODY

    monkeypatch.setattr(azimuth, "fit_picture", lambda photo: (np.zeros((4, 4, 3)), 0.5))
    monkeypatch.setattr(azimuth, "doubts", doubted)
    choice = SimpleNamespace(best=SimpleNamespace(shown=None), others=(), spread=0.0)
    monkeypatch.setattr(azimuth, "agree", lambda *args: choice)
    for name in ("printed_lines", "Fitter", "near_half", "lines_of"):
        stub = SimpleNamespace(segments=tuple) if name == "lines_of" else None
        monkeypatch.setattr(azimuth, name, lambda *args, stub=stub: stub)
    for name in ("depths_of", "find_borders", "fit_told"):
        monkeypatch.setattr(azimuth, name, lambda *args: [])
    for seen in (False, True):
        witness = SimpleNamespace(share=np.zeros((6, 4, 4)), own=0.25, rod_seen=seen)
        monkeypatch.setattr(azimuth, "Witness", lambda *args, witness=witness: witness)
        next(azimuth.stages(photo))  # type: ignore[arg-type]
    assert asked == [azimuth.SHARE_ALONE, LEAST_SHARE]
    between = (LEAST_SHARE + azimuth.SHARE_ALONE) / 2
    assert doubts(chosen(between, 2, None), 2.6, 1600) is None
    doubt = doubts(chosen(between, 2, None), 2.6, 1600, azimuth.SHARE_ALONE)
    assert doubt is not None and "disagree" in doubt.reason


@pytest.mark.parametrize(("border", "refused"), [(0.0, True), (0.6, False)])
def test_without_a_cantilever_the_body_must_end_at_its_edge(
    monkeypatch: pytest.MonkeyPatch, border: float, refused: bool
) -> None:
    """A label's lower side on a face that fills the picture has body above and below it."""
    shown = azimuth_shown.Shown(1.0, border, 1.0, 1.0, 0.0)
    choice = SimpleNamespace(best=SimpleNamespace(shown=shown), others=(), spread=0.0)
    monkeypatch.setattr(azimuth, "doubts", lambda *args: None)
    monkeypatch.setattr(azimuth, "lines_of", lambda *args: SimpleNamespace(segments=tuple))
    photo: Any = SimpleNamespace(width=1600, height=1200)
    for least in (LEAST_SHARE, azimuth.SHARE_ALONE):
        lines = azimuth._lines_of(choice, photo, (), None, least)  # type: ignore[arg-type]
        assert isinstance(lines, Refusal) == (refused and least == azimuth.SHARE_ALONE)
