"""What the nearer look shows, and what is made of it: straight borders, and its word.

The shapes are polygons filled by scikit-image, placed by plane geometry written here.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm
from skimage import draw

from vision import azimuth, azimuth_look, azimuth_near, azimuth_shown
from vision.azimuth_body import BODY, HOLDER, IMAGE, ROD, UNDER
from vision.azimuth_borders import Run, lower_border, straight_runs, upper_border
from vision.azimuth_look import Borders, Line
from vision.azimuth_tilt import Tilt
from vision.azimuth_told import sides_beside
from vision.azimuth_word import ANYWHERE_DEG, SAME_LINE, Near, near_half

Array = NDArray[np.float64]
SHAPE = (336, 448)
EDGE = np.array([[120.0, 150.0], [320.0, 154.0]])
BACK, CREASE = EDGE + [[15.0, 20.0], [-10.0, 18.0]], EDGE + [[0.0, 60.0], [0.0, 53.0]]


def filled(parts: list[tuple[Array, Array, int]]) -> NDArray[np.float32]:
    """Shares of six kinds; each part lies between two lines."""
    mask = np.zeros(SHAPE, int)
    for top, low, kind in parts:
        corners = np.concatenate([top, low[::-1]])
        rows, columns = draw.polygon(corners[:, 1], corners[:, 0], SHAPE)
        mask[rows, columns] = kind
    return np.stack([(mask == k).astype(np.float32) for k in range(6)])


def kinds() -> NDArray[np.float32]:
    """A body under its holder with its rod, over the images of its underside and its face."""
    rod = EDGE.mean(axis=0) + [[-4.0, -20.0], [4.0, -20.0]]
    return filled(
        [
            (EDGE - [0.0, 110.0], EDGE - [0.0, 90.0], HOLDER),
            (EDGE - [0.0, 90.0], EDGE, BODY),
            (BACK, CREASE, UNDER),
            (CREASE, CREASE + [0.0, 90.0], IMAGE),
            (rod, rod + [0.0, 40.0], ROD),
        ]
    )


def colours_as(*told: int) -> Callable[[str, NDArray[np.uint8]], NDArray[np.float32]]:
    """A network to which the first colours of a picture are shares of these kinds."""

    def shares(_: str, picture: NDArray[np.uint8]) -> NDArray[np.float32]:
        near = np.zeros((6, *picture.shape[:2]), np.float32)
        near[list(told)] = picture.transpose(2, 0, 1)[: len(told)] / 255.0
        return near

    return shares


@pytest.mark.parametrize(
    ("kind", "border", "expected"),
    [(BODY, lower_border, EDGE), (IMAGE, upper_border, CREASE), (UNDER, upper_border, BACK)],
)
def test_borders_are_where_they_were_drawn(kind: int, border, expected: Array) -> None:  # type: ignore[no-untyped-def]
    shows = kinds()
    run = straight_runs(border(shows[kind], shows[ROD] > 0.3), 30.0, 0.25)[0]
    slope = (expected[1] - expected[0])[1] / (expected[1] - expected[0])[0]
    assert math.tan(run.angle) == pytest.approx(slope, abs=math.tan(math.radians(0.2)))
    line = np.polyfit(*run.ends.T, 1)
    assert np.polyval(line, expected[:, 0]) == pytest.approx(expected[:, 1], abs=0.7)
    assert np.abs(run.ends[:, 0] - expected[:, 0]).max() < 4
    if kind == BODY:  # the rod hides some of it
        assert run.count < run.ends[1, 0] - run.ends[0, 0] - 5


def test_a_border_in_two_pieces_is_one_and_a_bent_one_is_two() -> None:
    x = np.arange(200.0)
    piece = np.column_stack([x, 50 + 0.05 * x])
    (whole,) = straight_runs(np.concatenate([piece[:70], piece[110:]]), 30.0, 0.25)
    assert whole.ends[:, 0].tolist() == [0, 199] and whole.count == 160
    bent = np.column_stack([x, 50 + np.where(x < 120, 0.05, 0.2) * (x - 120)])
    slopes = [math.tan(run.angle) for run in straight_runs(bent, 30.0, 0.25)]
    assert slopes == pytest.approx([0.05, 0.2], abs=0.01)


def test_the_start_is_the_edge_and_its_image() -> None:
    start = azimuth_look._start(kinds())
    assert start is not None
    edge, image = start
    assert edge == pytest.approx(EDGE, abs=4)
    assert np.polyval(np.polyfit(*image.T, 1), CREASE[:, 0]) == pytest.approx(CREASE[:, 1], abs=1)


@pytest.mark.parametrize("azimuth", [0.0, 3.0, -5.5])
def test_where_the_ends_are_seen_on_the_image(azimuth: float) -> None:
    """Reflected across a line that leans by a degree; of the image a stretch is seen."""
    roll = math.radians(1.0)
    along, normal = np.array([[math.cos(roll), math.sin(roll)], [-math.sin(roll), math.cos(roll)]])
    turn = roll + math.radians(azimuth)
    edge = np.array([300.0, 200.0]) + np.outer([-120, 120], [math.cos(turn), math.sin(turn)])
    image = edge - 2 * ((edge - [300.0, 218.0]) @ normal)[:, None] * normal
    seen = image[0] + np.outer([0.2, 1.1], image[1] - image[0])
    assert azimuth_look.beneath(edge, seen) == pytest.approx(image)
    assert azimuth_look.beneath(image, edge) is None
    assert azimuth_look.beneath(edge, seen + 200 * along) is None


def test_a_body_far_from_level_and_near_its_image_is_a_pair_in_a_stretched_copy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Five degrees of azimuth and the edges so close that the copy is stretched three times."""
    turn, middle = math.tan(math.radians(5.0)), np.array([220.0, 150.0])
    across = np.array([-100.0, 100.0])
    edge = middle + np.column_stack([across, turn * across])
    image = middle + [0.0, 24.0] + np.column_stack([across, -turn * across])
    shows = filled([(edge - [0.0, 70.0], edge, BODY), (image, image + [0.0, 70.0], IMAGE)])
    rgb = (shows[[BODY, IMAGE, IMAGE]].transpose(1, 2, 0) * 255).astype(np.uint8)

    monkeypatch.setattr(azimuth_near, "shares_of", colours_as(BODY, IMAGE))
    borders = azimuth_look.look_nearer(rgb, 1.0, edge, image)
    moved = azimuth_look.beneath(borders.edges[0].ends, borders.images[0].ends)
    assert moved is not None
    assert np.polyval(np.polyfit(*moved.T, 1), image[:, 0]) == pytest.approx(image[:, 1], abs=1)


def test_without_an_image_there_is_no_start() -> None:
    shows = kinds()
    shows[[IMAGE, UNDER]] = 0
    assert azimuth_look._start(shows) is None
    assert azimuth_look._start(np.zeros_like(shows)) is None


def test_what_is_seen_nearer_lies_where_it_does_in_the_photo(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A photo whose three colours are body and images; the nearer look shows what is cut of it."""
    told = [BODY, IMAGE, UNDER]
    rgb = (kinds()[told].transpose(1, 2, 0) * 255).astype(np.uint8)

    monkeypatch.setattr(azimuth_near, "shares_of", colours_as(*told))
    for scale in (1.0, 0.5):
        ends = [(line + 0.5) / scale - 0.5 for line in (EDGE, CREASE)]
        borders = azimuth_look.look_nearer(rgb, scale, *ends)
        for lines, expected in ((borders.edges, ends[0]), (borders.images, ends[1])):
            line = np.polyfit(*lines[0].ends.T, 1)
            off = np.polyval(line, expected[:, 0]) - expected[:, 1]
            assert np.abs(off).max() < 0.8 / scale
        left, right = borders.depths
        for depth, ends_ in ((left, (BACK[0], CREASE[0])), (right, (BACK[1], CREASE[1]))):
            along = ends_[1] - ends_[0]
            turn = math.remainder(depth.angle - math.atan2(along[1], along[0]), math.pi)
            assert abs(math.degrees(turn)) < 4


def guarded() -> NDArray[np.float32]:
    """The body with a bar under the middle half of its edge, wider than what is left and right."""
    t = np.array([[0.2], [0.8]])
    bar = EDGE[0] + t * (EDGE[1] - EDGE[0]) + [0.0, 8.0]
    parts = [
        (EDGE - [0.0, 90.0], EDGE, BODY),
        (bar - [0.0, 10.0], bar, BODY),
        (CREASE, CREASE + [0.0, 90.0], IMAGE),
    ]
    return filled(parts)


def test_a_part_of_an_edge_is_moved_out_to_the_corners() -> None:
    edge = azimuth_look._start(guarded())
    assert edge is not None
    part = edge[0]
    assert part[1, 0] - part[0, 0] < 0.65 * (EDGE[1] - EDGE[0])[0]
    whole = azimuth_look._to_corners(guarded()[BODY], part)
    assert whole[:, 0] == pytest.approx(EDGE[:, 0], abs=2)
    slope = (part[1] - part[0])[1] / (part[1] - part[0])[0]
    assert whole[:, 1] == pytest.approx(part[0, 1] + slope * (whole[:, 0] - part[0, 0]))
    # a rod before the body parts it too, and where no body is above there is nothing to move to
    hidden = guarded()
    hidden[BODY, :, 250:262] = 0
    assert azimuth_look._to_corners(hidden[BODY], part) == pytest.approx(whole)
    assert azimuth_look._to_corners(np.zeros_like(hidden[BODY]), part) is part


def test_a_guarded_body_is_looked_at_as_a_whole_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """And a plain one once: what is seen is cut of the picture, in three colours."""

    monkeypatch.setattr(azimuth_near, "shares_of", colours_as(BODY, IMAGE))
    for shows, looks in ((kinds(), 1), (guarded(), 2)):
        rgb = (shows[[BODY, IMAGE, IMAGE]].transpose(1, 2, 0) * 255).astype(np.uint8)
        found = azimuth_look.find_borders(rgb, 1.0, shows, 1.0)
        assert len(found) == looks
        across = [float(np.linalg.norm(look.frame[0, :2])) for look in found]
        wide = azimuth_near.EDGE_PX / float(np.linalg.norm(EDGE[1] - EDGE[0]))
        assert across[-1] == pytest.approx(wide, rel=0.06)
        assert across[0] > 1.4 * wide or looks == 1
        borders = found[-1]
        line = np.polyfit(*borders.images[0].ends.T, 1)
        assert np.polyval(line, CREASE[:, 0]) == pytest.approx(CREASE[:, 1], abs=1)
    assert azimuth_look.find_borders(rgb, 1.0, np.zeros_like(shows), 1.0) == []


def test_of_two_looks_the_one_surer_of_the_angle_is_heeded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    matrices = [np.array([[k, 0.0, 0.0], [0.0, k, 0.0]]) for k in (0.3, 0.1, 0.2)]
    looks = [Borders([], [], [], matrix) for matrix in matrices]
    monkeypatch.setattr(azimuth, "tilt_in", lambda rgb, scale, frame: Tilt(1.0, frame[0, 0]))
    monkeypatch.setattr(azimuth_shown, "show_kinds", lambda _: (np.zeros((6, 3, 4)), 1.0))
    rgb = np.zeros((4, 4, 3), np.uint8)
    witness = azimuth_shown.Witness(rgb, 1.0)  # which sees no cantilever
    assert azimuth._surest(rgb, 1.0, looks, witness) == (looks[1], Tilt(1.0, 0.1))
    assert azimuth._surest(rgb, 1.0, looks[:1], witness) == (looks[0], Tilt(1.0, 0.3))
    assert azimuth._surest(rgb, 1.0, [], witness) == (None, None)


def test_a_frame_far_off_is_taken_again_and_one_near_by_is_not() -> None:
    frame = azimuth_near.frame(EDGE, CREASE)
    assert azimuth_look._alike(frame, azimuth_near.frame(EDGE + [3.0, 1.0], CREASE + [3.0, 1.0]))
    assert not azimuth_look._alike(frame, azimuth_near.frame(EDGE, CREASE + [0.0, 20.0]))
    assert not azimuth_look._alike(frame, azimuth_near.frame(EDGE + [40.0, 0.0], CREASE))


def test_the_frame_shows_edges_level_long_and_apart_as_stated() -> None:
    frame = azimuth_near.frame(EDGE, CREASE)
    seen = [line @ frame[:, :2].T + frame[:, 2] for line in (EDGE, CREASE)]
    assert np.mean(seen, axis=(0, 1)) == pytest.approx([144, 144])
    along = [line[1] - line[0] for line in seen]
    assert sum(a[1] / np.linalg.norm(a) for a in along) == pytest.approx(0, abs=0.02)
    assert np.linalg.norm(along[0]) == pytest.approx(azimuth_near.EDGE_PX, rel=0.01)
    assert (seen[1] - seen[0])[:, 1].mean() == pytest.approx(azimuth_near.GAP_PX, rel=0.01)


# ----------------------------------------------------------------- its word in the choice


@pytest.mark.parametrize("far", [0.1, 0.5])
def test_the_nearer_looks_word_weighs_as_mixtures_do(far: float) -> None:
    """Against densities of scipy: of its word if a pair is right, over that if it is not.

    A wrong pair may lie on a line that the look takes for the border too.
    """
    near = Near(0.4, 0.07, far)
    for half in (0.4, 0.5, 0.9, -1.0):
        same, anywhere = norm.pdf(0.4 - half, 0, 0.07), 1 / ANYWHERE_DEG
        right = (1 - far) * same + far * anywhere
        wrong = SAME_LINE * same + (1 - SAME_LINE) * anywhere
        assert near.gain(half) == pytest.approx(math.log(right / wrong), abs=1e-6)
    assert near.gain(0.4) < math.log(1 / SAME_LINE)  # it never says more than that


def test_a_border_that_is_straight_and_whole_is_believed_more() -> None:
    words = []
    for off, count in ((0.3, 200), (0.5, 200), (0.3, 90)):
        image = Line(CREASE, Run(CREASE, count, off))
        borders = Borders([Line(EDGE, Run(EDGE, 200, 0.2))], [image], [], np.eye(2, 3))
        near = near_half(borders)
        assert near is not None
        words.append(near)
    half = np.degrees(np.arctan([4 / 200, -3 / 200])) @ [0.5, -0.5]
    assert [near.half for near in words] == pytest.approx([half] * 3)
    assert words[0].u < words[1].u < words[2].u and words[0].far < words[1].far < words[2].far
    assert near_half(None) is None and near_half(Borders([], [], [], np.eye(2, 3))) is None


# ----------------------------------------------------------------- pairs straight from it


def test_sides_are_where_they_were_drawn() -> None:
    """A body that tapers upwards over its image, seen at half the photo's size."""
    lean = np.array([[25.0, 0.0], [-15.0, 0.0]])
    shows = filled(
        [
            (EDGE + lean - [0.0, 90.0], EDGE, BODY),
            (CREASE, CREASE + lean + [0.0, 90.0], IMAGE),
        ]
    )
    for kind, line, away in ((BODY, EDGE, -90.0), (IMAGE, CREASE, 90.0)):
        sides = sides_beside(shows, (line + 0.5) * 2 - 0.5, 0.5, kind)
        assert set(sides) == {"left", "right"}
        for name, k in (("left", 0), ("right", 1)):
            near, far = (sides[name] + 0.5) / 2 - 0.5
            assert abs(near[1] - line[k, 1]) < abs(far[1] - line[k, 1])  # outwards
            slope = lean[k, 0] / away
            assert (far - near)[0] / (far - near)[1] == pytest.approx(slope, abs=0.02)
            assert near[0] == pytest.approx(line[k, 0] + slope * (near[1] - line[k, 1]), abs=1.5)
    assert sides_beside(np.zeros_like(shows), EDGE, 1.0, BODY) == {}


def test_a_body_shown_in_stray_pieces_elsewhere_is_sought_at_its_largest() -> None:
    """A small patch above the body, at the picture's rim, passes for body and has an edge too."""
    shows = kinds()
    strayed = shows.copy()
    strayed[:, 2:14, 100:340] = 0.0
    strayed[BODY, 2:14, 100:340] = 1.0
    plain, start = azimuth_look._start(shows), azimuth_look._start(strayed)
    assert plain is not None and start is not None
    for ends, expected in zip(start, plain, strict=True):
        assert ends == pytest.approx(expected)


@pytest.mark.parametrize("rod", [True, False])
def test_a_look_begins_where_the_cantilever_hangs_between(rod: bool) -> None:
    """A longer border farther down, the mirror's own edge say, is no image of the lower edge."""
    decoy = CREASE + [[-25.0, 78.0], [25.0, 85.0]]
    hangs = EDGE.mean(axis=0) + [[-4.0, 10.0], [4.0, 10.0]]
    shares = filled(
        [
            (EDGE - [0.0, 90.0], EDGE, BODY),
            (BACK, CREASE, UNDER),
            (CREASE, CREASE + [0.0, 60.0], IMAGE),
            (decoy, decoy + [0.0, 45.0], IMAGE),
            (hangs, hangs + [0.0, 40.0], ROD if rod else UNDER),
        ]
    )
    start = azimuth_look._start(shares)
    assert start is not None
    gap = float((start[1] - start[0])[:, 1].mean())
    expected = CREASE if rod else decoy
    assert gap == pytest.approx(float((expected - EDGE)[:, 1].mean()), abs=6)


def test_a_frame_tells_what_it_lays_level() -> None:
    """`edges_of` undoes `frame`, for two edges of one length that meet their middle alike."""
    half, along = 300.0, np.array([math.cos(0.1), math.sin(0.1)])
    down = np.array([-along[1], along[0]])
    ends = np.array([900.0, 700.0]) + np.array([-half, half])[:, None] * along
    for gap in (200.0, 290.0):
        edge, image = azimuth_near.edges_of(azimuth_near.frame(ends, ends + gap * down))
        assert edge == pytest.approx(ends, abs=1e-6)
        assert image == pytest.approx(ends + gap * down, abs=1e-6)
