"""Scenes of any shape: lessons for networks that shall know things no earlier scene showed.

Comes in: a scene's parameters (`recipe.draw`). Goes out: the same with shapes, print, colours and
lights drawn from far wider ranges than the sets that are counted, and the parts that
`assembly.py` makes of them. What the truths rest on stays: a stylus symmetrical about its axis, a
straight rod, a level lower front edge.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.scenes import shapes, world
from tests.scenes.shapes import Mesh
from tests.scenes.world import Array

if TYPE_CHECKING:
    from tests.scenes.assembly import Assembly

RIPPLES = (2, 4, 6, 8)  # even ones leave a section symmetrical about its middle
SIDES = (96, 96, 96, 4, 6, 8)


def vary(spec: dict[str, Any], rng: np.random.Generator) -> None:
    """Draw what only odd scenes have into a scene's parameters."""
    ground, stylus = spec["ground"], spec["stylus"]
    spec["odd"] = int(rng.integers(1 << 30))
    if ground["grid_pitch_mm"]:
        ground["grid_pitch_mm"] = float(rng.choice([2.5, 4.0, 5.0, 6.0, 8.0, 10.0]))
        ground["ink_mm"] = round(float(rng.uniform(0.08, 0.45)), 4)
        ground["ink_grey"] = round(float(rng.uniform(0.01, 0.3)), 4)
    ground["mirror_shade"] = round(float(rng.uniform(0.35, 0.95)), 4)
    if rng.random() < 0.3:
        ground["vinyl"] = [round(float(v), 4) for v in rng.uniform(0.01, 0.4, 3)]
    stylus["grey"] = round(float(rng.uniform(0.02, 0.6)), 4)


def _rng(spec: dict[str, Any], of: int) -> np.random.Generator:
    return np.random.default_rng([spec["odd"], of])


def wall(spec: dict[str, Any]) -> Callable[[Array], Array]:
    """Radius of a shank round its axis, of its width: a superellipse with ripples."""
    rng = _rng(spec, 1)
    power, deep, turn = rng.uniform(1.4, 9), rng.uniform(0.6, 1.0), rng.uniform(0, np.pi)
    ripples = [(k, rng.uniform(0, 0.03), rng.uniform(0, 2 * np.pi)) for k in RIPPLES]

    def radius(t: Array) -> Array:
        r = shapes.superellipse(t - turn, power, 1 / deep)
        return np.asarray(r * (1 + sum(a * np.cos(k * t + p) for k, a, p in ripples)))

    return radius


def turned_rod(spec: dict[str, Any]) -> Mesh:
    """A rod along +z whose thickness steps, narrows and widens at random."""
    rng, rod = _rng(spec, 2), spec["cantilever"]
    radius, length = rod["radius_mm"], rod["length_mm"]
    profile = [(0.0, radius * rng.uniform(0.7, 1.0)), (rng.uniform(0.01, 0.15), radius)]
    at = profile[-1][0]
    while at < length - 1.0 and len(profile) < 9:
        at += rng.uniform(0.5, 2.0)
        run = rng.choice([0.005, rng.uniform(0.05, 1.5)])
        profile.append((at, radius))
        at += run
        radius = rod["radius_mm"] * rng.uniform(0.75, 1.4)
        profile.append((at, radius))
    profile.append((max(length, at + 0.1), radius))
    sides = int(rng.choice(SIDES))
    mesh = shapes.lathe([(float(z), float(r)) for z, r in profile], sides, smooth=False)
    return mesh.moved(np.diag([rng.uniform(0.7, 1.0), 1.0, 1.0]))


def front_view(spec: dict[str, Any], view: Array) -> Array:
    """A body's front view (K, 2) of y and z with sides and top drawn anew."""
    rng = _rng(spec, 3)
    low, top, half = view[:, 1].min(), view[:, 1].max(), view[:, 0].max()
    heights = np.sort(rng.uniform(low + 1.5, top, int(rng.integers(1, 6))))
    heights[-1] = top
    bottom = view[view[:, 1] < low + 0.2 * (top - low)]
    right, left = bottom[bottom[:, 0] > 0], bottom[bottom[:, 0] < 0]
    height = max(right[:, 1].max(), left[:, 1].max())
    heights = heights[heights > height + 0.2]
    wide = half * rng.uniform(0.55, 1.0, len(heights))
    other = wide if rng.random() < 0.7 else half * rng.uniform(0.55, 1.0, len(heights))
    up = np.column_stack([wide, heights])
    down = np.column_stack([-other, heights])[::-1]
    return np.concatenate([right, up, down, left])


def _material(rng: np.random.Generator) -> dict[str, Any]:
    from tests.scenes.assembly import matt, metal, plastic

    colour = list(rng.uniform(0.01, 0.9, 3) if rng.random() < 0.6 else [rng.uniform(0.01, 0.9)] * 3)
    kind = rng.random()
    if kind < 0.4:
        return matt(*colour)
    if kind < 0.75:
        return plastic(colour, float(rng.uniform(0.04, 0.4)))
    return metal(str(rng.choice(["Al", "Cr", "Au"])), float(rng.uniform(0.04, 0.4)))


def add(out: Assembly, spec: dict[str, Any]) -> None:
    """Things on the body's face and on the rod, and print on the sheet."""
    rng, body, rod = _rng(spec, 4), spec["body"], spec["cantilever"]
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    turn = turn @ world.rotation_y(spec["body_pitch_deg"])
    low, high, half = body["gap_mm"], body["height_mm"], body["width_mm"] / 2
    for _ in range(int(rng.integers(0, 7))):
        out.add("fitting", _fitting(rng, body["front_mm"], low, high, half).moved(turn),
                _material(rng))  # fmt: skip
    along = world.cantilever_direction(spec["cantilever_yaw_deg"], spec["cantilever_rise_deg"])
    lie = shapes.frame_along(along, (0.0, 0.0, 1.0))
    for _ in range(int(rng.integers(0, 4))):
        at, long = rng.uniform(0.3, 4.0), rng.uniform(0.1, 1.5)
        thick = rod["far_radius_mm"] * rng.uniform(1.01, 1.4)
        ring = shapes.lathe([(at, thick), (at + long, thick)], int(rng.choice(SIDES)))
        out.add("band", ring.moved(lie, out.points_mm["rod axis at free end"]), _material(rng))
    if spec["surface"] != "record" and rng.random() < 0.5:
        out.add("ink", _print(rng, spec["camera"]["field_mm"]), _material(rng))


def _fitting(rng: np.random.Generator, front: float, low: float, high: float, half: float) -> Mesh:
    """A box, a rod or a ball somewhere on a body's face, or a thin plate along its edges."""
    z, y = low + high * rng.uniform(0.15, 0.95), half * rng.uniform(-0.9, 0.9)
    kind = rng.random()
    if kind < 0.3:  # print, panels, labels
        size = (0.03, half * rng.uniform(0.05, 1.6), min(high * rng.uniform(0.02, 0.7), z - low))
        return shapes.box((front - 0.004, 0.3 * y, z - 0.3 * size[2]), size)
    if kind < 0.6:
        deep, tall = rng.uniform(0.1, 2.0), rng.uniform(0.3, 0.4 * high)
        tall = min(tall, 2 * (z - low - 0.1))
        turned = world.rotation_x(rng.uniform(-8, 8)) if rng.random() < 0.3 else None
        return shapes.box((front, y, z), (deep, half * rng.uniform(0.05, 0.6), tall), turned)
    thick = rng.uniform(0.2, 0.12 * high + 0.2)
    thick = min(thick, z - low - 0.05)
    if kind < 0.75:
        return shapes.ball((front, y, z), thick)
    bar = shapes.lathe([(-0.5, thick), (0.5, thick)], int(rng.choice(SIDES)))
    long = rng.uniform(0.3, 1.8 * half)
    way = [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0)][int(rng.random() < 0.5)]
    long = min(long, 2.0) if way[0] else long
    bar = Mesh(bar.vertices * [1, 1, long], bar.faces, bar.smooth)
    return bar.moved(shapes.frame_along(way, (0.0, 0.0, 1.0)), (front, 0.4 * y, z))


def _print(rng: np.random.Generator, field_mm: float) -> Mesh:
    """Strokes on the sheet: long ones, and rows of short ones."""
    strokes = []
    for _ in range(int(rng.integers(1, 6))):
        start, heading = rng.uniform(-0.5, 0.5, 2) * field_mm, rng.uniform(0, np.pi)
        way = np.array([np.cos(heading), np.sin(heading)])
        if rng.random() < 0.5:
            long = field_mm * rng.uniform(0.1, 1.5)
            strokes.append((start, start + way * long, field_mm * rng.uniform(0.002, 0.02)))
            continue
        size = field_mm * rng.uniform(0.01, 0.05)
        for k in range(int(rng.integers(3, 12))):
            a = start + way * k * size
            b = a + size * rng.uniform(-0.8, 0.8, 2)
            strokes.append((a, b + 1e-3, 0.1 * size))
    return shapes.join(*[shapes.strip(a, b, w, 0.007) for a, b, w in strokes])


def lamps(out: Assembly, spec: dict[str, Any], warm: Array) -> None:
    """One to four panels and bulbs anywhere above."""
    rng = _rng(spec, 5)
    out.sky = list(rng.uniform(0.05, 0.9) * rng.uniform(0.85, 1.15, 3))
    for _ in range(int(rng.integers(1, 5))):
        toward = world.cantilever_direction(rng.uniform(0, 360), rng.uniform(10, 85))
        far, share = rng.uniform(130, 260), rng.uniform(0.2, 1.0)
        if rng.random() < 0.6:
            wide, tall = np.exp(rng.uniform(np.log(5), np.log(120), 2))
            strength = share * min(40000.0 / (wide * tall), 80.0)
            panel = shapes.plate(wide, tall, 0.0)
            frame = shapes.frame_along(-toward, (0.3, 1, 0.2))
            out.lamps.append(("panel", panel.moved(frame, toward * far), list(strength * warm)))
        else:
            size = rng.uniform(5, 14)
            bulb = shapes.ball(toward * far, size)
            out.lamps.append(("bulb", bulb, list(share * 40000.0 / size**2 * warm)))
