"""Triangle meshes for the rendered scenes: needles, rods, prisms, strips, grooves, lint.

Numbers in millimetres in, `Mesh` out. Every builder is closed-form and symmetrical about the axis
it is named for, so the angle of that axis is the angle of the finished part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """Vertices (N, 3) in mm, triangles (M, 3), and whether shading is smooth."""

    vertices: Array
    faces: NDArray[np.int32]
    smooth: bool = False

    def moved(self, rotation: ArrayLike | None = None, shift: ArrayLike = (0, 0, 0)) -> Mesh:
        """The mesh turned by a 3 x 3 matrix and then shifted."""
        v = self.vertices if rotation is None else self.vertices @ np.asarray(rotation, float).T
        return Mesh(v + np.asarray(shift, float), self.faces, self.smooth)


def join(*meshes: Mesh) -> Mesh:
    """Several meshes of one material as one."""
    offset, vertices, faces = 0, [], []
    for m in meshes:
        vertices.append(m.vertices)
        faces.append(m.faces + offset)
        offset += len(m.vertices)
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32), meshes[0].smooth)


def frame_along(axis: ArrayLike, hint: ArrayLike = (1.0, 0.0, 0.0)) -> Array:
    """Rotation whose third column is `axis` and whose first lies in the plane of axis and hint."""
    z = np.asarray(axis, float) / np.linalg.norm(axis)
    h = np.asarray(hint, float)
    x = h - (h @ z) * z
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z], axis=1)


def rings(
    sections: Sequence[Array],
    close_first: bool = True,
    close_last: bool = True,
    smooth: bool = False,
) -> Mesh:
    """Skin over closed sections of equally many points, counter-clockwise seen from above."""
    n, k = len(sections[0]), len(sections)
    vertices = [np.concatenate(sections)]
    i = np.arange(n)
    j = (i + 1) % n
    faces = []
    for level in range(k - 1):
        a, b = level * n, (level + 1) * n
        faces += [np.stack([a + i, a + j, b + j], 1), np.stack([a + i, b + j, b + i], 1)]
    for wanted, level, flip in ((close_first, 0, True), (close_last, k - 1, False)):
        if wanted:
            apex = sum(len(v) for v in vertices)
            # the cap has its own rim so that smooth shading does not round it off
            vertices.append(np.concatenate([sections[level].mean(0)[None], sections[level]]))
            rim = np.stack([np.full(n, apex), apex + 1 + i, apex + 1 + j], 1)
            faces.append(rim[:, [0, 2, 1]] if flip else rim)
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32), smooth)


def lathe(profile: Sequence[tuple[float, float]], sides: int = 96, smooth: bool = True) -> Mesh:
    """Solid of revolution about z from (z, radius) pairs, ends closed."""
    t = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    circle = np.stack([np.cos(t), np.sin(t), np.zeros_like(t)], 1)
    return rings([circle * r + [0, 0, z] for z, r in profile], smooth=smooth)


def needle(
    shank: str,
    width_mm: float,
    cone_deg: float,
    length_mm: float,
    turn_deg: float = 0.0,
    taper_deg: float = 0.0,
    tip_radius_mm: float = 0.01,
    squash: float = 1.0,
    flats_deg: float | None = None,
    between_mm: tuple[float, float] | None = None,
    own_wall: Callable[[Array], Array] | None = None,
) -> tuple[Mesh, float]:
    """A stylus standing on its tip at the origin, axis along z.

    Parameters
    ----------
    shank : str
        Cross-section of the shank, as `recipe.SHANKS` names them.
    width_mm, cone_deg, length_mm : float
        Width across the shank, full angle of the cone, whole length.
    turn_deg, taper_deg : float
        Turn of a square shank about its axis; full angle by which the shank widens upwards.
    tip_radius_mm, squash : float
        Radius of the tip; factor on the cone's radius fore and aft (x), 0.5-1: elliptical tips.
    flats_deg : float, optional
        Full angle between two flats ground fore and aft near the tip (long-edge tips).
    between_mm : (float, float), optional
        Only the part between these heights: the diamond or the metal of a bonded stylus.
    own_wall : callable, optional
        Radius of a "freeform" shank, of its width, by the angle round its axis (radians).

    Returns
    -------
    mesh : Mesh
    cone_mm : float
        Height above the tip at which the cone is as wide as the shank.
    """
    t = np.linspace(0, 2 * np.pi, 128, endpoint=False) + np.pi / 128
    half = np.radians(cone_deg) / 2
    cone_mm = width_mm / 2 / np.tan(half)
    z = np.unique(
        np.concatenate(
            [
                np.linspace(0, tip_radius_mm, 12),
                np.linspace(0, min(1.6 * cone_mm, length_mm), 140),
                [length_mm],
            ]
        )
    )
    if between_mm is not None:
        low, high = between_mm
        z = np.concatenate([[low], z[(z > low + 1e-6) & (z < high - 1e-6)], [high]])
    wall = {
        "round": np.full_like(t, 0.5),
        "square": 0.5
        / np.maximum(abs(np.cos(t - np.radians(turn_deg))), abs(np.sin(t - np.radians(turn_deg)))),
        "rounded square": superellipse(t - np.radians(turn_deg), 5.0),
        # four fifths as deep as it is wide
        "oblong": 0.5
        / np.maximum(
            abs(np.cos(t - np.radians(turn_deg))), 1.25 * abs(np.sin(t - np.radians(turn_deg)))
        ),
        "stadium": superellipse(t - np.radians(turn_deg), 3.0, 1.2),
        "lens": superellipse(t - np.radians(turn_deg), 1.6, 1.3),
        "cushion": superellipse(t - np.radians(turn_deg), 4.0, 1.15),
        "lobed": 0.48 + 0.02 * np.cos(3 * (t - np.radians(turn_deg))),
        "bar": superellipse(t - np.radians(turn_deg), 8.0, 1.4),
        "cross": 0.45 + 0.05 * np.cos(4 * (t - np.radians(turn_deg))),
        "rosette": 0.475 + 0.025 * np.cos(5 * (t - np.radians(turn_deg))),
        "ellipse": superellipse(t - np.radians(turn_deg), 2.0, 1.25),
        "rhomb": superellipse(t - np.radians(turn_deg), 1.3, 1.0),
        "freeform": own_wall(t) if own_wall else np.full_like(t, 0.5),
        "fluted": 0.485 + 0.015 * np.cos(8 * (t - np.radians(turn_deg))),
        "flatted": np.minimum(0.5, 0.38 / np.maximum(abs(np.cos(t - np.radians(turn_deg))), 1e-9)),
        "heptagon": 0.5 / _widest_facing(t - np.radians(turn_deg), 7),
        "pentagon": 0.5 / _widest_facing(t - np.radians(turn_deg), 5),
        "hexagon": 0.5 / _widest_facing(t - np.radians(turn_deg), 6),
        "octagon": 0.5 / _widest_facing(t - np.radians(turn_deg), 8),
    }[shank] * width_mm
    ellipse = 1.0 / np.hypot(np.cos(t) / squash, np.sin(t))
    sections = []
    for height in z:
        touch = tip_radius_mm * (1 - np.sin(half))
        r = (
            np.sqrt(max(2 * tip_radius_mm * height - height**2, 0.0))
            if height < touch
            else tip_radius_mm * np.cos(half) + (height - touch) * np.tan(half)
        )
        radius = np.minimum(
            r * ellipse, wall * (1 + 2 * height * np.tan(np.radians(taper_deg) / 2) / width_mm)
        )
        if flats_deg is not None:
            blade = tip_radius_mm * 0.6 + height * np.tan(np.radians(flats_deg) / 2)
            radius = np.minimum(radius, blade / np.maximum(abs(np.cos(t)), 1e-6))
        radius = np.maximum(radius, 1e-5)
        sections.append(
            np.stack([radius * np.cos(t), radius * np.sin(t), np.full_like(t, height)], 1)
        )
    return rings(sections, smooth=shank == "round"), float(cone_mm)


def superellipse(t: Array, power: float, flat: float = 1.0) -> Array:
    """Radius at angles t of |x|^power + |flat y|^power = (1/2)^power."""
    sides = np.abs([np.cos(t), flat * np.sin(t)])
    return np.asarray(0.5 * np.sum(sides**power, 0) ** (-1 / power))


def _widest_facing(t: Array, sides: int) -> Array:
    """Cosine of the angle to the nearest of the sides of a regular prism."""
    return np.max([np.cos(t - k * 2 * np.pi / sides) for k in range(sides)], axis=0)


def rod(
    length_mm: float,
    radius_mm: float,
    far_radius_mm: float,
    bore_mm: float = 0.0,
    rounded: bool = False,
    square: bool = False,
    six_sided: bool = False,
    necked: bool = False,
    stepped: bool = False,
    flared: bool = False,
) -> Mesh:
    """A cantilever along +z from its free end at z = 0; a bore makes it a tube, a neck thinner."""
    grow = (far_radius_mm - radius_mm) / length_mm
    if rounded:
        a = np.linspace(np.pi / 2, 0, 10)[:-1]
        start = [(radius_mm * (1 - np.sin(v)), max(radius_mm * np.cos(v), 1e-4)) for v in a]
    elif bore_mm > 0:
        depth = 6 * bore_mm
        start = [(depth, 1e-4), (depth, bore_mm), (0.0, bore_mm), (0.0, radius_mm * 0.985)]
        start.append((radius_mm * 0.015, radius_mm))
    else:
        chamfer = 0.06 * radius_mm
        start = [(0.0, radius_mm - chamfer), (chamfer, radius_mm)]
    if necked:
        neck = 0.8 * radius_mm
        start = [(0.0, 0.95 * neck), (0.05 * neck, neck), (1.2, neck), (1.5, radius_mm)]
    last = start[-1][0]
    if stepped:
        start += [(2.4, radius_mm), (2.4, 1.3 * radius_mm)]
        last, radius_mm = 2.4, 1.3 * radius_mm
    if flared:
        start += [(1.5, radius_mm), (3.5, 1.4 * radius_mm)]
        last, radius_mm = 3.5, 1.4 * radius_mm
    run = [(z, radius_mm + grow * z) for z in np.linspace(last, length_mm, 12)[1:]]
    mesh = lathe([*start, *run], sides=4 if square else 6 if six_sided else 96,
                 smooth=not (square or six_sided or stepped or bore_mm > 0))  # fmt: skip
    return mesh.moved(rotation_quarter()) if square else mesh


def rotation_quarter() -> Array:
    """Turn by 45 degrees about z and stretch: a 4-sided lathe becomes as wide as it says."""
    c = np.sqrt(0.5)
    return np.array([[c, -c, 0], [c, c, 0], [0, 0, 1.0]]) * [[np.sqrt(2)], [np.sqrt(2)], [1.0]]


def outline(
    kind: str, width_mm: float, bottom_mm: float, top_mm: float, corner_mm: float, taper: float
) -> Array:
    """Front view of a body: points (K, 2) of y and z, symmetrical about y = 0, lower edge level.

    `taper` is how much narrower the bottom is than the top, as a fraction of the width.
    """
    half = width_mm / 2
    steps = {"square": 1, "chamfer": 2, "round": 14}[kind]
    if steps == 1:
        corner = np.array([[0.0, 0.0]])
    else:
        a = np.linspace(0, np.pi / 2, steps)
        corner = np.stack([1 - np.sin(a), 1 - np.cos(a)], 1) * corner_mm
    low_right = np.stack([half - corner[:, 0], bottom_mm + corner[:, 1]], 1)
    up_right = np.stack([half - corner[::-1, 0] * 0.4, top_mm - corner[::-1, 1] * 0.4], 1)
    right = np.concatenate([low_right, up_right])
    share = (top_mm - right[:, 1]) / (top_mm - bottom_mm)
    right[:, 0] *= 1 - taper * share
    left = right[::-1] * [-1, 1]
    return np.concatenate([right, left])


def prism(
    front_view: Array,
    x0: float,
    x1: float,
    edge_mm: float = 0.0,
    slant: float = 0.0,
    edge_steps: int = 2,
) -> Mesh:
    """A front view (y, z) drawn out from x0 to x1; its front edges are broken by `edge_mm`.

    `slant` shears the front backwards per millimetre of height, which leaves edges along y as they
    were.
    """
    centre = np.array([0.0, (front_view[:, 1].min() + front_view[:, 1].max()) / 2])
    extent = np.abs(front_view - centre).max(0)
    sections = []
    for a in np.linspace(0, np.pi / 2, edge_steps) if edge_mm > 0 else [np.pi / 2]:
        inset = edge_mm * (1 - np.sin(a))
        face = centre + (front_view - centre) * (1 - inset / extent)
        sections.append((x0 + edge_mm * (1 - np.cos(a)), face))
    sections.append((x1, front_view))
    base = front_view[:, 1].min()
    rows = []
    for i, (x, face) in enumerate(sections):
        shear = slant * (face[:, 1] - base) if i < len(sections) - 1 else 0.0
        rows.append(np.stack([np.full(len(face), x) + shear, face[:, 0], face[:, 1]], 1))
    return rings(rows)


def box(centre: ArrayLike, size: ArrayLike, rotation: ArrayLike | None = None) -> Mesh:
    """An upright box by centre and size, turned about its centre."""
    sx, sy, sz = np.asarray(size, float) / 2
    square = np.array([[-sx, -sy, 0], [sx, -sy, 0], [sx, sy, 0], [-sx, sy, 0.0]])
    return rings([square - [0, 0, sz], square + [0, 0, sz]]).moved(rotation, centre)


def strip(start: ArrayLike, end: ArrayLike, width_mm: float, z_mm: float) -> Mesh:
    """A flat line on the surface from start to end (x, y), facing up."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    d = (b - a) / np.linalg.norm(b - a)
    side = np.array([-d[1], d[0]]) * width_mm / 2
    corners = np.array([a - side, b - side, b + side, a + side])
    return Mesh(
        np.column_stack([corners, np.full(4, z_mm)]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    )


def plate(half_x: float, half_y: float, z_mm: float, centre: ArrayLike = (0, 0)) -> Mesh:
    """A rectangle facing up."""
    cx, cy = np.asarray(centre, float)
    return strip((cx - half_x, cy), (cx + half_x, cy), 2 * half_y, z_mm)


def grooves(
    half_x: float,
    half_y: float,
    pitch_mm: float,
    width_mm: float,
    depth_mm: float,
    land_mm: float,
    radius_mm: float,
    turn_deg: float,
    wobble_mm: Callable[[Array], Array],
) -> Mesh:
    """A record's modulated V-grooves: arcs of `radius_mm` that run along x at the stylus.

    The groove under the origin has its bottom on z = 0; lands lie at `land_mm`.
    """
    count = int(half_y / pitch_mm)
    at = np.arange(-count, count + 1) * pitch_mm
    y = (at[:, None] + np.array([-0.5 * width_mm, 0.0, 0.5 * width_mm])).ravel()
    z = np.tile([land_mm, land_mm - depth_mm, land_mm], len(at))
    edge = half_y + pitch_mm
    y, z = np.concatenate([[-edge], y, [edge]]), np.concatenate([[land_mm], z, [land_mm]])
    # finer near the stylus, where the frame is
    s = np.linspace(-1, 1, 160)
    x = half_x * np.sign(s) * np.abs(s) ** 2.2
    lane = np.round(y / pitch_mm)
    xx, yy = np.meshgrid(x, y)
    moved = yy + xx**2 / (2 * radius_mm) + np.array([wobble_mm(x + 3.7 * k) for k in lane])
    vertices = np.stack([xx, moved, np.broadcast_to(z[:, None], xx.shape)], -1).reshape(-1, 3)
    c, sn = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    vertices = vertices @ np.array([[c, -sn, 0], [sn, c, 0], [0, 0, 1.0]]).T
    rows, cols = len(y), len(x)
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(cols - 1), indexing="ij")
    a = (i * cols + j).ravel()
    quads = np.stack([a, a + 1, a + cols + 1, a + cols], 1)
    return Mesh(
        vertices, np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)
    )


def hair(points: ArrayLike, radius_mm: float) -> Mesh:
    """A fibre of lint through points (K, 3)."""
    p = np.asarray(points, float)
    t = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    d = np.gradient(p, axis=0)
    sections = []
    for at, along in zip(p, d, strict=True):
        f = frame_along(along, (0.0, 0.0, 1.0))
        sections.append(
            at + radius_mm * (np.cos(t)[:, None] * f[:, 0] + np.sin(t)[:, None] * f[:, 1])
        )
    return rings(sections, smooth=True)


def ball(centre: ArrayLike, radius_mm: float, squash: ArrayLike = (1, 1, 1)) -> Mesh:
    """A grain of dust or a blob of glue."""
    a = np.linspace(-np.pi / 2, np.pi / 2, 13)
    m = lathe([(radius_mm * np.sin(v), max(radius_mm * np.cos(v), 1e-6)) for v in a], sides=20)
    return Mesh(m.vertices * np.asarray(squash, float) + np.asarray(centre, float), m.faces, True)
