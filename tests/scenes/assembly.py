"""A scene's parameters turned into parts with materials, lamps, a camera and named points.

Comes in: the dictionary of `recipe.draw`. Goes out: `Assembly`, still plain numbers and plug-in
descriptions, so that the geometry can be checked without a renderer. The angles hold by
construction: the needle's mesh is symmetrical about `world.stylus_axis`, the rod's about
`world.cantilever_direction`, and the body is turned as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.scenes import odd, shapes, world
from tests.scenes.shapes import Mesh
from tests.scenes.world import Array

Plugin = dict[str, Any]
# Shares of a rod's length and of its radius: thinner in the middle, thicker there, a collar just
# behind the free end, a tube with square ends over the middle, a neck that widens to a belly, a
# slow wave.
ROD_PROFILES = {
    "waisted rod": [(0.0, 1.0), (0.4, 0.75), (1.0, 1.0)],
    "bulged rod": [(0.0, 1.0), (0.35, 1.3), (1.0, 1.0)],
    "clubbed rod": [(0.0, 1.15), (0.08, 1.35), (0.13, 1.35), (0.18, 1.0), (1.0, 1.0)],
    "bottle rod": [(0.0, 0.8), (0.22, 0.8), (0.4, 1.15), (1.0, 1.15)],
    "spooled rod": [(0.0, 1.1), (0.25, 0.88), (0.55, 1.12), (1.0, 0.95)],
    "jacketed rod": [(0.0, 1.0), (0.3, 1.0), (0.3, 1.45), (0.55, 1.45), (0.55, 1.0), (1.0, 1.0)],
}
# bodies whose face is plain enough for print
LABELLED = ("box", "bevelled", "rounded", "guard", "two-colour", "octagon", "prow", "keystone")


@dataclass
class Assembly:
    """Everything a renderer needs: parts, emitters, the view; and points whose place is known."""

    parts: list[tuple[str, Mesh, Plugin]] = field(default_factory=list)
    lamps: list[tuple[str, Mesh, list[float]]] = field(default_factory=list)
    sky: list[float] = field(default_factory=lambda: [0.3, 0.3, 0.3])
    points_mm: dict[str, Array] = field(default_factory=dict)
    view: world.View | None = None
    aperture_mm: float = 0.3
    focus_mm: float = 60.0

    def add(self, name: str, mesh: Mesh, material: Plugin) -> None:
        self.parts.append((name, mesh, material))


def assemble(spec: dict[str, Any], width: int, height: int) -> Assembly:
    """Build the scene for a picture of `width` x `height` pixels."""
    out = Assembly()
    _stylus_and_cantilever(out, spec)
    _body(out, spec)
    if "odd" in spec:
        odd.add(out, spec)
    _surface(out, spec)
    _dirt(out, spec)
    _camera(out, spec, width, height)
    _surroundings(out, spec)
    return out


def rgb(*values: float) -> Plugin:
    """A colour; one value means grey."""
    return {"type": "rgb", "value": list(values) * (3 if len(values) == 1 else 1)}


def matt(*colour: float) -> Plugin:
    """A diffuse material."""
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": rgb(*colour)}}


def plastic(colour: list[float], roughness: float) -> Plugin:
    """A diffuse base under a rough clear coat."""
    base = {
        "type": "roughplastic",
        "alpha": max(roughness, 0.04),
        "diffuse_reflectance": rgb(*colour),
    }
    return {"type": "twosided", "bsdf": base}


def metal(kind: str, roughness: float, shade: float = 1.0) -> Plugin:
    """A rough metal: "Al", "Au", "Cr"."""
    base = {"type": "roughconductor", "material": kind, "alpha": max(roughness, 0.03),
            "specular_reflectance": rgb(shade)}  # fmt: skip
    return {"type": "twosided", "bsdf": base}


def stylus_joint_mm(spec: dict[str, Any]) -> tuple[float, float, float]:
    """Cone height, height of the rod's axis along the stylus, and whole stylus length (mm)."""
    stylus, rod = spec["stylus"], spec["cantilever"]
    cone = stylus["width_mm"] / 2 / np.tan(np.radians(stylus["cone_deg"]) / 2)
    joint = (
        cone
        + stylus["bare_shank_mm"]
        + rod["radius_mm"] / np.cos(np.radians(spec["cantilever_rise_deg"]))
    )
    return float(cone), float(joint), float(joint + rod["radius_mm"] + stylus["through_mm"])


def _stylus_and_cantilever(out: Assembly, spec: dict[str, Any]) -> None:
    stylus, rod = spec["stylus"], spec["cantilever"]
    yaw, rise = spec["cantilever_yaw_deg"], spec["cantilever_rise_deg"]
    axis = world.stylus_axis(spec["rake_deg"], spec["side_lean_deg"], yaw)
    along = world.cantilever_direction(yaw, rise)
    cone, joint, length = stylus_joint_mm(spec)
    stand = shapes.frame_along(axis, world.cantilever_direction(yaw, 0.0))
    shape = {
        "shank": stylus["shank"], "width_mm": stylus["width_mm"], "cone_deg": stylus["cone_deg"],
        "length_mm": length, "turn_deg": stylus["turn_deg"], "taper_deg": stylus["taper_deg"],
        "tip_radius_mm": stylus["tip_radius_mm"], "squash": stylus["front_back_squash"],
        "flats_deg": stylus["flats_deg"],
        "own_wall": odd.wall(spec) if stylus["shank"] == "freeform" else None,
    }  # fmt: skip
    dark = plastic([stylus["grey"] * v for v in (1.0, 0.95, 0.85)], 0.12)
    diamond: Plugin = {"type": "dielectric", "int_ior": 2.417, "ext_ior": 1.0}
    jewel = diamond if stylus["transparent"] else dark
    if stylus["mount"] == "bare":
        out.add("stylus", shapes.needle(**shape)[0].moved(stand), jewel)
    else:
        split = 0.72 * cone
        tip = shapes.needle(**shape, between_mm=(0.0, split))[0].moved(stand)
        shank = shapes.needle(**shape, between_mm=(split + 5e-4, length))[0].moved(stand)
        out.add("stylus tip", tip, jewel)
        out.add("stylus shank", shank, metal("Cr", 0.25, 0.8))
    centre = joint * axis
    start = centre - rod["overhang_mm"] * along
    mesh = shapes.rod(rod["length_mm"], rod["radius_mm"], rod["far_radius_mm"], rod["bore_mm"],
                      rod["kind"] == "rounded rod", rod["kind"] == "square rod",
                      rod["kind"] == "six-sided rod", rod["kind"] == "necked rod",
                      rod["kind"] == "stepped rod", rod["kind"] == "flared rod")  # fmt: skip
    if rod["kind"] == "turned rod":
        mesh = odd.turned_rod(spec)
    if rod["kind"] in ROD_PROFILES:
        long, thick = rod["length_mm"], rod["radius_mm"]
        profile = [(at * long, thick * more) for at, more in ROD_PROFILES[rod["kind"]]]
        mesh = shapes.lathe(profile, smooth=rod["kind"] != "jacketed rod")
    if rod["kind"] == "grooved rod":
        # three narrow grooves round it
        long, thick = rod["length_mm"], rod["radius_mm"]
        profile = [(0.0, thick)]
        for at in (0.15, 0.3, 0.45):
            groove = [(-0.09, thick), (-0.08, 0.8 * thick), (0.08, 0.8 * thick), (0.09, thick)]
            profile += [(at * long + off, r) for off, r in groove]
        mesh = shapes.lathe([*profile, (long, thick)])
    if rod["kind"] == "beaded rod":
        # two beads on it
        long, thick = rod["length_mm"], rod["radius_mm"]
        profile = [(0.0, thick)]
        for at in (0.2, 0.45):
            bead = zip(np.linspace(-0.2, 0.2, 7), np.cos(np.linspace(-1.57, 1.57, 7)), strict=True)
            profile += [(at * long + off, thick * (1 + 0.3 * more)) for off, more in bead]
        mesh = shapes.lathe([*profile, (long, thick)])
    if rod["kind"] == "oval rod":
        mesh = mesh.moved(np.diag([0.7, 1.0, 1.0]))  # less high than wide
    lie = shapes.frame_along(along, (0.0, 0.0, 1.0))
    rough = rod["roughness"]
    material = {
        "metal": metal("Al", rough),
        "black": plastic([0.02, 0.02, 0.022], rough),
        "red": plastic([0.42, 0.03, 0.05], rough),
        "translucent": {"type": "roughdielectric", "alpha": 0.08, "int_ior": 1.76, "ext_ior": 1.0,
                        "specular_transmittance": rgb(0.9, 0.8, 0.6)},
    }[rod["material"]]  # fmt: skip
    out.add("cantilever", mesh.moved(lie, start), material)

    def around(name: str, begins: float, ends: float, times: float, made: Plugin) -> None:
        wide = times * rod["radius_mm"]
        out.add(name, shapes.lathe([(begins, wide), (ends, wide)]).moved(lie, start), made)

    if rod["kind"] == "sleeved rod":
        begins = 0.45 * spec["body"]["front_mm"]
        around("sleeve", begins, rod["length_mm"] - 0.1, 1.45, metal("Al", rough, 0.8))
    if rod["kind"] == "ringed rod":
        for begins in (0.9, 1.6):
            around("band", begins, begins + 0.2, 1.2, metal("Al", rough, 0.7))
    if rod["kind"] == "banded tube":
        # two rings of paint, no thicker than paint is
        for share in (0.25, 0.6):
            begins = share * spec["body"]["front_mm"] + 0.5
            around("band", begins, begins + 0.35, 1.01, matt(0.5, 0.42, 0.06))
    reach = spec["body"]["front_mm"] + 1.5
    if rod["length_mm"] > reach + 0.3:
        collar = shapes.lathe(
            [(reach, rod["far_radius_mm"] * 1.02), (reach, 0.7), (rod["length_mm"] + 1.5, 0.8)]
        )
        out.add("collar", collar.moved(lie, start), matt(0.03))
    if stylus["glue"] and stylus["bare_shank_mm"] > 0.15:
        under = axis * (joint - rod["radius_mm"] * 0.93)
        size = stylus["width_mm"] * 0.75
        drop = shapes.ball((0, 0, 0), size, (1.1, 0.9, 0.35)).moved(lie[:, [2, 1, 0]], under)
        out.add("glue", drop,
                plastic([0.12, 0.08, 0.03], 0.08))  # fmt: skip
    out.points_mm |= {
        "stylus tip": np.zeros(3),
        "cone top": axis * cone,
        "shank under rod": axis * (joint - rod["radius_mm"] / np.cos(np.radians(rise))),
        "rod axis at stylus": centre,
        "rod axis at free end": start,
        "rod axis at body": start + along * (spec["body"]["front_mm"] / np.cos(np.radians(rise))),
    }


def _body(out: Assembly, spec: dict[str, Any]) -> None:
    b = spec["body"]
    turn = world.rotation_z(spec["body_yaw_deg"]) @ world.rotation_x(spec["azimuth_deg"])
    turn = turn @ world.rotation_y(spec["body_pitch_deg"])
    rough = b["gloss"] if b["gloss"] is not None else 0.0
    paint = plastic(b["colour"], rough) if b["gloss"] is not None else matt(*b["colour"])
    other = plastic(b["second_colour"], 0.2)
    x0, x1 = b["front_mm"], b["front_mm"] + b["depth_mm"]
    low, top, wide, kind = b["gap_mm"], b["gap_mm"] + b["height_mm"], b["width_mm"], b["kind"]
    bevel, taper, slant = b["bevel_mm"], b["taper"], b["slant"]

    def put(name: str, mesh: Mesh, material: Plugin) -> None:
        out.add(name, mesh.moved(turn), material)

    edge_half, corner = wide / 2 * (1 - taper), bevel
    if kind == "open-front":
        wall = 0.12 * wide
        for side in (-1, 1):
            cheek = shapes.prism(
                shapes.outline("chamfer", wall, low, top, min(bevel, 0.3), 0.0), x0, x1, bevel * 0.5
            )
            put("cheek", cheek.moved(None, (0, side * (wide - wall) / 2, 0)), paint)
        core = shapes.outline("square", wide - 1.6 * wall, low + 1.2, top, 0.1, 0.0)
        put("core", shapes.prism(core, x0 + 3.0, x1 - 0.5), other)
        put(
            "lid",
            shapes.prism(
                shapes.outline("square", wide, top - 1.5, top + 0.01, 0.1, 0.0), x0 + 0.2, x1
            ),
            paint,
        )
        edge_half, corner = wide / 2, 0.0
    elif kind in ("two-colour", "stepped"):
        waist = low + (0.38 if kind == "two-colour" else 0.3) * b["height_mm"]
        narrow = wide * (1.0 if kind == "two-colour" else 0.72)
        put(
            "lower body",
            shapes.prism(shapes.outline("chamfer", narrow, low, waist, bevel, 0.0), x0, x1, bevel),
            paint,
        )
        put(
            "upper body",
            shapes.prism(
                shapes.outline("chamfer", wide, waist + 0.02, top, bevel * 0.3, 0.0),
                x0 + (0.0 if kind == "two-colour" else 1.0),
                x1,
                bevel * 0.3,
            ),
            other,
        )
        edge_half = narrow / 2
    elif kind == "flange":
        thick = 0.16 * b["height_mm"]
        for name, across, bottom, upper, back, material in (
            ("flange", wide, low, low + thick, 0.0, paint),
            ("upper body", 0.7 * wide, low + thick + 0.02, top, 1.6, other),
        ):
            view = shapes.outline("chamfer", across, bottom, upper, min(bevel, 0.4 * thick), 0.0)
            put(name, shapes.prism(view, x0 + back, x1, min(bevel, 0.4 * thick)), material)
        edge_half, corner = wide / 2, min(bevel, 0.4 * thick)
    elif kind == "ribbed":
        view = shapes.outline("chamfer", wide, low, top, bevel, 0.0)
        put("body", shapes.prism(view, x0, x1, bevel), paint)
        bars = [
            shapes.box(
                (x0, (k - 2.5) * wide / 7, (low + top) / 2 + 0.6), (0.5, wide / 16, top - low - 2.2)
            )
            for k in range(6)
        ]
        put("ribs", shapes.join(*bars), paint)
        edge_half = wide / 2
    elif kind == "cheeks":
        nose = wide * 0.62
        put(
            "nose",
            shapes.prism(
                shapes.outline("round", nose, low, top, bevel * 1.5, 0.0), x0, x1, bevel, 0.0, 5
            ),
            paint,
        )
        put(
            "upper body",
            shapes.prism(
                shapes.outline("chamfer", wide, low + 1.2, top, 0.5, 0.0), x0 + 3.0, x1, 0.3
            ),
            other,
        )
        edge_half, corner = nose / 2, bevel * 1.5
    else:
        style, corner, steps = {
            "bevelled": ("chamfer", 0.45 * b["corner_mm"], 2),
            "rounded": ("round", b["corner_mm"], 6),
            "octagon": ("chamfer", 1.2 * b["corner_mm"] + 0.8, 2),
            "prow": ("round", 0.4 * b["corner_mm"], 4),
            "freeform": ("round", 0.5 * b["corner_mm"], 4),
        }.get(kind, ("chamfer", bevel, 2))
        if kind == "keystone":
            taper = 0.3 + 0.5 * taper
        view = shapes.outline(style, wide, low, top, corner, taper)
        if kind == "gabled":
            # shoulders half way up, a narrow ridge on top
            view = shapes.outline(style, wide, low, low + 0.5 * (top - low), corner, taper)
            ridge = np.array([[0.22 * wide, top], [-0.22 * wide, top]])
            view = np.insert(view, len(view) // 2, ridge, axis=0)
        if kind == "waisted":
            # narrower half way up than below and above
            waist = np.array([[0.44 * wide * (1 - taper / 2), 0.5 * (low + top)]])
            view = np.insert(view, len(view) // 4, waist, axis=0)
            view = np.insert(view, len(view) - len(view) // 4, waist * [-1, 1], axis=0)
        if kind == "arched":
            # the lower edge in two pieces
            span, rise = 0.2 * wide, 0.15 * (top - low)
            arch = [[-span, low], [-span / 2, low + rise], [span / 2, low + rise], [span, low]]
            view = np.concatenate([view, arch])
        edge_half = wide / 2 * (1 - taper)
        if kind == "notched":
            # the lower corners cut out square
            edge_half, step = edge_half - 0.13 * wide, low + 0.2 * (top - low)
            outer = wide / 2 * (1 - taper * (top - step) / (top - low))
            notch = np.array([[edge_half, low], [edge_half, step], [outer, step]])
            above = view[view[:, 1] > step]
            view = np.concatenate([notch, above, notch[::-1] * [-1, 1]])
        if kind == "terraced":
            # the upper corners cut out in a step
            step, inner = low + 0.62 * (top - low), 0.34 * wide
            outer = wide / 2 * (1 - taper * (top - step) / (top - low))
            stair = np.array([[outer, step], [inner, step], [inner, top]])
            below = view[view[:, 1] < step]
            right, left = below[below[:, 0] > 0], below[below[:, 0] < 0]
            view = np.concatenate([right, stair, stair[::-1] * [-1, 1], left])
        if kind == "freeform":
            view = odd.front_view(spec, view)
        put(
            "body",
            shapes.prism(view, x0, x1, bevel if kind != "bevelled" else 2 * bevel, slant, steps),
            paint,
        )
        if kind == "collared":
            # a belt round the middle that stands out a little
            height = top - low
            belt = shapes.outline(
                "chamfer", wide + 0.6, low + 0.4 * height, low + 0.58 * height, 0.1, 0.0
            )
            put("belt", shapes.prism(belt, x0 - 0.3, x1, 0.1), other)
        if kind == "louvred":
            # four slats across the face, each a little before it
            for k in range(4):
                at_z = low + (0.3 + 0.16 * k) * (top - low)
                across = 0.8 * wide * (1 - taper)
                put("slat", shapes.box((x0 - 0.2, 0.0, at_z), (0.5, across, 0.35)), other)
        if kind == "hooded":
            # the upper half stands out, rounded in front
            hood = shapes.lathe(
                [(-0.49 * wide, 0.2 * (top - low)), (0.49 * wide, 0.2 * (top - low))]
            )
            lie = shapes.frame_along((0, 1, 0), (0, 0, 1))
            put(
                "hood",
                hood.moved(lie, (x0 + 0.1 * (top - low), 0.0, top - 0.2 * (top - low))),
                other,
            )
        if kind == "studded":
            # two rows of studs on the face
            for at_z in (low + 0.35 * (top - low), low + 0.75 * (top - low)):
                for across in (-0.3, 0.0, 0.3):
                    at = (x0, across * wide * (1 - taper), at_z)
                    put("stud", shapes.ball(at, 0.06 * wide), other)
        if kind == "winged":
            # a plate along either side of the upper half
            for side in (-1, 1):
                size = (0.6 * (x1 - x0), 0.6, 0.5 * (top - low))
                at = ((x0 + x1) / 2, side * (wide / 2 + 0.2), low + 0.5 * (top - low))
                put("wing", shapes.box(at, size), other)
        if kind == "tiled":
            # two rows of three flat tiles that stand out from the face
            for at_z in (low + 0.34 * (top - low), low + 0.72 * (top - low)):
                for across in (-0.28, 0.0, 0.28):
                    at = (x0 - 0.1, across * wide * (1 - taper), at_z)
                    size = (0.5, 0.22 * wide * (1 - taper), 0.28 * (top - low))
                    put("tile", shapes.box(at, size), other)
        if kind == "buttressed":
            # a wedge at either side, high up and as deep as it is high
            for side in (-1, 1):
                wedge = np.array([[0.0, 0.0], [1.2, 0.45 * (top - low)], [0.0, 0.45 * (top - low)]])
                wedge = (wedge * [side, 1])[::side]
                wedge += [side * wide / 2 * (1 - taper), low + 0.5 * (top - low)]
                put("buttress", shapes.prism(wedge, x0 + 2.0, x1 - 2.0, 0.05), other)
        if kind == "hooped":
            # two half-round bars across the face
            for at_z in (low + 0.4 * (top - low), low + 0.7 * (top - low)):
                half = 0.42 * wide * (1 - taper)
                bar = shapes.lathe([(-half, 0.05 * wide), (half, 0.05 * wide)])
                put("hoop", bar.moved(shapes.frame_along((0, 1, 0), (0, 0, 1)), (x0, 0.0, at_z)),
                    other)  # fmt: skip
        if kind == "pegged":
            # two pegs stand out from the face, a block on the top
            for side in (-1, 1):
                at = (x0 - 1.2, side * 0.28 * wide * (1 - taper), low + 0.55 * (top - low))
                peg = shapes.lathe([(0.0, 0.07 * wide), (2.0, 0.07 * wide)])
                put("peg", peg.moved(shapes.frame_along((1, 0, 0), (0, 0, 1)), at), other)
            size = (0.5 * (x1 - x0), 0.4 * wide, 1.5)
            put("block", shapes.box(((x0 + x1) / 2, 0.0, top + 0.6), size), other)
        if kind == "keeled":
            # a half-round ridge down the middle of the face
            ridge = shapes.lathe([(low + 0.25 * (top - low), 0.08 * wide), (top, 0.08 * wide)])
            put("ridge", ridge.moved(None, (x0 + 0.02 * wide, 0.0, 0.0)), other)
        if kind == "saddled":
            # a flat bar across the face, high up, and a rail along either side of the top
            size = (0.7, 0.9 * wide * (1 - taper), 0.18 * (top - low))
            put("bar", shapes.box((x0 - 0.1, 0.0, low + 0.7 * (top - low)), size), other)
            for side in (-1, 1):
                at = ((x0 + x1) / 2, side * 0.3 * wide * (1 - taper), top + 0.5)
                put("rail", shapes.box(at, (0.8 * (x1 - x0), 0.15 * wide, 1.2)), other)
        if kind == "canted":
            # a slab on the upper half of the face, further out on one side
            aside = shapes.frame_along((0, 0, 1), (1.0, 0.12, 0.0))
            size = (1.2, 0.9 * wide * (1 - taper), 0.4 * (top - low))
            put("slab", shapes.box((x0, 0.0, low + 0.72 * (top - low)), size, aside), other)
        if kind == "finned":
            # four thin fins along either side, one above the other
            for side in (-1, 1):
                for k in range(4):
                    at_z = low + (0.35 + 0.17 * k) * (top - low)
                    at = ((x0 + x1) / 2, side * wide / 2 * (1 - taper), at_z)
                    put("fin", shapes.box(at, (0.85 * (x1 - x0), 1.0, 0.35)), other)
        if kind == "quartered":
            # four pads in the corners of the face, each as thick again as the one before
            for k, (side, up) in enumerate(((-1, 0.3), (1, 0.3), (-1, 0.72), (1, 0.72))):
                at = (x0, side * 0.24 * wide * (1 - taper), low + up * (top - low))
                size = (0.4 + 0.4 * k, 0.4 * wide * (1 - taper), 0.32 * (top - low))
                put("pad", shapes.box(at, size), other)
        if kind == "yoked":
            # a bar over the top's front, wider than the body, its ends turned down
            at = (x0 + 1.2, 0.0, top - 0.5)
            put("yoke", shapes.box(at, (1.6, 1.12 * wide, 1.2)), other)
            for side in (-1, 1):
                at = (x0 + 1.2, side * 0.54 * wide, top - 0.2 * (top - low))
                put("yoke end", shapes.box(at, (1.6, 0.07 * wide, 0.3 * (top - low))), other)
        if kind == "cowled":
            # a hood round the upper front: a roof and two sides, open below
            size = (2.6, 1.06 * wide * (1 - taper), 0.8)
            put("cowl", shapes.box((x0 + 0.2, 0.0, top - 0.1), size), other)
            for side in (-1, 1):
                at = (x0 + 0.2, side * 0.5 * wide * (1 - taper), low + 0.75 * (top - low))
                put("cowl side", shapes.box(at, (2.6, 0.8, 0.5 * (top - low))), other)
        if kind == "chequered":
            # squares of another colour on the face, flush with it
            for k, at_z in enumerate((0.24, 0.5, 0.76)):
                for j in range(4):
                    if (j + k) % 2 == 0:
                        at_y = (j - 1.5) * 0.22 * wide * (1 - taper)
                        spot = (x0 - 0.004, at_y, low + at_z * (top - low))
                        size = (0.02, 0.22 * wide * (1 - taper), 0.26 * (top - low))
                        put("square", shapes.box(spot, size), other)
        if kind == "bossed":
            # a round boss in the middle of the face, a smaller one on it
            for radius, out_by in ((0.2, 0.9), (0.1, 1.8)):
                at = (x0 - out_by, 0.0, low + 0.6 * (top - low))
                boss = shapes.lathe([(0.0, radius * wide), (2.0, radius * wide)])
                put("boss", boss.moved(shapes.frame_along((1, 0, 0), (0, 0, 1)), at), other)
        if kind == "slatted":
            # five upright slats before the upper face
            for k in range(-2, 3):
                at = (x0 - 0.15, 0.19 * k * wide * (1 - taper), low + 0.62 * (top - low))
                put("slat", shapes.box(at, (0.6, 0.09 * wide, 0.6 * (top - low))), other)
        if kind == "pillared":
            # a half-round pillar at either side of the face
            for side in (-1, 1):
                pillar = shapes.lathe([(low + 0.5, 0.07 * wide), (top - 0.3, 0.07 * wide)])
                at_y = side * 0.4 * wide * (1 - taper)
                put("pillar", pillar.moved(None, (x0 + 0.02 * wide, at_y, 0.0)), other)
        if kind == "lipped":
            # an upper lip before the front throws its shadow on the face
            lip = shapes.outline("chamfer", wide, top - 0.22 * (top - low), top, 0.3, 0.0)
            put("lip", shapes.prism(lip, x0 - 1.2, x0 + 2.0, 0.3), other)
        if kind == "panelled":
            # a glossy panel of another colour on the face, its edges along those of the body
            size = (0.5, 0.74 * wide, 0.5 * (top - low))
            put("panel", shapes.box((x0 + 0.2, 0.0, low + 0.4 * (top - low) + 0.4), size), other)
        if kind == "seamed":
            # two seams across the face, as where halves are glued
            for at_z in (low + 0.3 * (top - low), low + 0.62 * (top - low)):
                inside = 0.94 * wide * (1 - taper)
                put("seam", shapes.box((x0 - 0.004, 0.0, at_z), (0.02, inside, 0.18)), matt(0.01))
        if kind == "halved":
            # one half of the face in another colour
            half_wide = 0.44 * wide * (1 - taper)
            spot = (x0 - 0.004, 0.5 * half_wide, 0.5 * (low + top))
            put("half", shapes.box(spot, (0.02, half_wide, 0.84 * (top - low))), other)
        if kind == "drilled":
            # three dark round recesses, drawn as discs on the face
            for k in (-1, 0, 1):
                disc = shapes.lathe([(0.0, 0.09 * wide), (0.02, 0.09 * wide)], sides=48)
                at_z = (low + top) / 2 + 0.4
                faced = disc.moved(
                    shapes.frame_along((1, 0, 0), (0, 0, 1)), (x0 - 0.01, k * 0.28 * wide, at_z)
                )
                put("recess", faced, matt(0.01))
        if kind == "guard":
            span = 0.42 * wide
            guard = shapes.outline("chamfer", span, low - 0.35, low + 2.5, 0.25, 0.0)
            put("guard", shapes.prism(guard, x0 + 0.8, x0 + 7.0, 0.2), other)
            for side in (-1, 1):
                put(
                    "guard cheek",
                    shapes.box((x0 + 0.3, side * span * 0.42, low + 0.55), (2.4, 0.7, 1.9)),
                    other,
                )
    half = edge_half - corner
    at = x0 + (slant * 0.0)
    out.points_mm["front edge left"] = turn @ np.array([at, half, low])
    out.points_mm["front edge right"] = turn @ np.array([at, -half, low])

    shell_top = top + 2.2
    shell = plastic([b["shell_grey"]] * 3, 0.3)
    put(
        "shell",
        shapes.prism(
            shapes.outline("chamfer", b["shell_width_mm"], top + 0.02, shell_top, 0.5, 0.0),
            x0 - 0.4,
            x1 + 8,
            0.4,
        ),
        shell,
    )
    arm = shapes.lathe([(0.0, 4.0), (120.0, 4.0)], sides=48).moved(
        shapes.frame_along((1, 0, 0.01)), (x1 + 6, 0, shell_top + 1.0)
    )
    out.add("arm", arm, metal("Al", 0.3, 0.7))
    if b["screws"]:
        for at_y in (-6.35, 6.35):
            screw = shapes.lathe(
                [(shell_top, 1.9), (shell_top + 1.6, 1.9), (shell_top + 1.61, 0.9)], sides=40
            )
            put("screw", screw.moved(None, (x0 + 9.5, at_y, 0)), metal("Cr", 0.2))
            thread = shapes.lathe([(top - 3.0, 1.2), (shell_top, 1.2)], sides=40)
            put(
                "thread",
                thread.moved(None, (x0 - 0.1 if kind == "stepped" else x0 + 9.5, at_y, 0)),
                metal("Cr", 0.2),
            )
    if b["label"] and slant == 0 and kind in LABELLED:
        _label(put, b, x0, low, top)


def _label(put: Any, b: dict[str, Any], x0: float, low: float, top: float) -> None:
    rng = np.random.default_rng(b["label_seed"])
    strokes = []
    height = rng.uniform(0.7, 1.6)
    y = rng.uniform(0.05, 0.25) * b["width_mm"]
    z = low + rng.uniform(0.35, 0.65) * (top - low)
    for _ in range(int(rng.integers(3, 8))):
        w = height * rng.uniform(0.4, 0.8)
        for bar in rng.permutation(5)[: int(rng.integers(2, 5))]:
            place, size = {
                0: ((y + w / 2, z), (0.14, height)), 1: ((y - w / 2, z), (0.14, height)),
                2: ((y, z + height / 2), (w, 0.14)), 3: ((y, z - height / 2), (w, 0.14)),
                4: ((y, z), (w, 0.14)),
            }[int(bar)]  # fmt: skip
            strokes.append(shapes.box((x0 - 0.005, *place), (0.03, *size)))
        y -= 1.5 * w
        if abs(y) > 0.36 * b["width_mm"]:
            break
    put("print", shapes.join(*strokes), matt(*rng.uniform(0.05, 0.9, 3)))
    if rng.random() < 0.5:
        w, h = rng.uniform(2, 5), rng.uniform(0.8, 2)
        spot = (
            x0 - 0.004,
            rng.uniform(-0.2, 0.2) * b["width_mm"],
            z + (1.4 if z < (low + top) / 2 else -2.2),
        )
        put("badge", shapes.box(spot, (0.02, w, h)), plastic(list(rng.uniform(0.05, 0.9, 3)), 0.1))


def _surface(out: Assembly, spec: dict[str, Any]) -> None:
    g, kind = spec["ground"], spec["surface"]
    hx, hy, t = g["half_x_mm"], g["half_y_mm"], g["thickness_mm"]
    centre = (8.0, 0.0)
    turn = world.rotation_z(spec["sheet_yaw_deg"])
    mirror: Plugin = {
        "type": "twosided",
        "bsdf": {
            "type": "conductor",
            "specular_reflectance": rgb(g.get("mirror_shade", 0.93)),
            "material": "Al",
        },
    }
    if kind == "record":
        rng = np.random.default_rng(g["dirt_seed"] + 1)
        waves = [
            (rng.uniform(0.3, 3.0), rng.uniform(0, 6.3), rng.uniform(0.2, 1.0)) for _ in range(4)
        ]

        def wobble(x: Array) -> Array:
            total = sum(a * (np.sin(2 * np.pi * x / w + p)) for w, p, a in waves)
            return g["groove_loudness_mm"] * np.asarray(total) / 2

        rest = g["groove_mm"] / 2 - (np.sqrt(2) - 1) * spec["stylus"]["tip_radius_mm"]
        at_tip = float(wobble(np.zeros(1))[0])
        mesh = shapes.grooves(
            30,
            20,
            g["groove_pitch_mm"],
            g["groove_mm"],
            g["groove_mm"] / 2,
            rest,
            g["groove_radius_mm"],
            0.0,
            lambda x: wobble(x) - at_tip,
        )
        turn = world.rotation_z(g["groove_turn_deg"])
        gloss = 0.07 if g["looks"] == "glossy" else 0.2
        vinyl = plastic(g.get("vinyl", [0.018] * 3), gloss)
        out.add("record", mesh.moved(turn), vinyl)
        out.add("record beyond", shapes.plate(150, 150, -0.08), vinyl)
        return
    slab = [((centre[0], s * hy, -t / 2), (2 * hx, 0.02, t)) for s in (-1, 1)]
    slab += [((centre[0] + s * hx, 0, -t / 2), (0.02, 2 * hy, t)) for s in (-1, 1)]
    rim = shapes.join(*[shapes.box(c, s) for c, s in slab]).moved(turn, (0, 0, -0.002))
    top = shapes.plate(hx, hy, 0.0, centre).moved(turn)
    below = shapes.plate(hx, hy, -t, centre).moved(turn)
    if kind == "back-silvered mirror":
        out.add("glass", top, {"type": "dielectric", "int_ior": 1.52, "ext_ior": 1.0})
        out.add("silver", below, mirror)
        out.add("rim", rim, matt(0.25, 0.35, 0.3))
    elif kind == "mirror":
        out.add("mirror", top, mirror)
        out.add("rim", rim, matt(0.3))
    elif kind == "black glass":
        out.add(
            "black glass",
            top,
            {"type": "plastic", "int_ior": 1.52, "diffuse_reflectance": rgb(0.004)},
        )
        out.add("rim", rim, matt(0.02))
    else:
        paper = plastic(g["paper"], 0.12) if kind == "glossy card" else matt(*g["paper"])
        out.add("sheet", top, paper)
    if g["grid_pitch_mm"]:
        out.add("ink", _grid(spec).moved(turn), matt(g["ink_grey"]))
        far = turn @ np.array([20.0, 0.0, 0.0])
        origin = turn @ np.array([*g["null_offset_mm"], 0.0])
        out.points_mm |= {
            "null": origin,
            "grid line near": origin - far,
            "grid line far": origin + far,
        }


def _grid(spec: dict[str, Any]) -> Mesh:
    g = spec["ground"]
    pitch, ink, (ox, oy) = g["grid_pitch_mm"], g["ink_mm"], g["null_offset_mm"]
    reach_x, reach_y = g["half_x_mm"] - 3, g["half_y_mm"] - 3
    lines = []
    for k in range(-int(reach_y / pitch), int(reach_y / pitch) + 1):
        lines.append(
            shapes.strip((8 - reach_x, oy + k * pitch), (8 + reach_x, oy + k * pitch), ink, 0.004)
        )
    for k in range(int(-(reach_x - 8) / pitch), int((reach_x + 8) / pitch) + 1):
        lines.append(
            shapes.strip((ox + k * pitch, -reach_y), (ox + k * pitch, reach_y), ink, 0.006)
        )
    for k in range(-10, 11):
        if k % pitch:
            lines.append(shapes.strip((ox + k, oy - 0.5), (ox + k, oy + 0.5), 0.6 * ink, 0.008))
    for dx, dy in ((1.2, 0), (0, 1.2)):
        lines.append(shapes.strip((ox - dx, oy - dy), (ox + dx, oy + dy), 1.5 * ink, 0.010))
    return shapes.join(*lines)


def _dirt(out: Assembly, spec: dict[str, Any]) -> None:
    g = spec["ground"]
    rng = np.random.default_rng(g["dirt_seed"])
    rake = spec["quantity"] == "rake"
    reach = spec["camera"]["field_mm"] * (0.6 if rake else 0.5)
    floor = 0.02 if spec["surface"] == "record" else 0.0
    if g["dust"]:
        grains = []
        for _ in range(g["dust"]):
            r = g["dust_mm"] * float(np.exp(rng.normal(0, 0.5)))
            x, y = rng.uniform(-reach, reach, 2)
            grains.append(shapes.ball((x, y, floor + 0.8 * r), r, 1.0).moved())
        out.add("dust", shapes.join(*grains), matt(float(rng.uniform(0.2, 0.8))))
    for i in range(g["lint"]):
        clings = i == 0 and rng.random() < 0.4
        start = np.array([*rng.uniform(-0.7 * reach, 0.7 * reach, 2), floor + 0.01])
        if clings:
            start = out.points_mm["rod axis at free end"] + [0, 0, -spec["cantilever"]["radius_mm"]]
        heading, length = rng.uniform(0, 2 * np.pi), reach * rng.uniform(0.3, 1.0)
        s = np.linspace(0, 1, 40)
        angle = heading + np.cumsum(rng.normal(0, 0.12, 40))
        path = (
            start
            + np.cumsum(np.stack([np.cos(angle), np.sin(angle), np.zeros(40)], 1), 0) * length / 40
        )
        drop = (start[2] - floor) * (1 - s) if clings else 0.3 * length * s * (1 - s)
        path[:, 2] = floor + 0.01 + drop
        thick = rng.uniform(0.004, 0.010) if rake else rng.uniform(0.008, 0.02)
        out.add("lint", shapes.hair(path, thick), matt(*rng.uniform(0.05, 0.8, 3)))
    if g["scratches"]:
        lines = []
        for _ in range(g["scratches"]):
            a, turn = rng.uniform(-reach, reach, 2), rng.uniform(0, np.pi)
            b = a + np.array([np.cos(turn), np.sin(turn)]) * reach * rng.uniform(0.5, 2.5)
            thick = rng.uniform(0.003, 0.008) if rake else rng.uniform(0.008, 0.025)
            lines.append(shapes.strip(a, b, thick, 0.003))
        out.add("scratches", shapes.join(*lines), matt(float(rng.uniform(0.3, 0.9))))


def bearing_deg(spec: dict[str, Any]) -> float:
    """Where the camera stands: its nominal place plus the off-axis angle."""
    camera = spec["camera"]
    nominal = {"right": -90.0, "left": 90.0, None: 180.0}[camera["pivot_side"]]
    return nominal + camera["off_axis_deg"]


def _camera(out: Assembly, spec: dict[str, Any], width: int, height: int) -> None:
    c = spec["camera"]
    wide = 2 * np.degrees(np.arctan(c["field_mm"] / 2 / c["distance_mm"]))
    out.view = world.look(bearing_deg(spec), c["elevation_deg"], c["distance_mm"], c["aim_mm"],
                          c["roll_deg"], wide, width, height)  # fmt: skip
    subject = {
        "rake": out.points_mm["cone top"],
        "cantilever": (out.points_mm["rod axis at stylus"] + out.points_mm["rod axis at body"]) / 2,
        "azimuth": (out.points_mm["front edge left"] + out.points_mm["front edge right"]) / 2,
    }[spec["quantity"]]
    out.aperture_mm = c["aperture_mm"]
    out.focus_mm = float((subject - out.view.position) @ out.view.forward) + c["focus_error_mm"]


def _surroundings(out: Assembly, spec: dict[str, Any]) -> None:
    assert out.view is not None
    c, lamp, view = spec["clutter"], spec["lamp"], out.view
    away = world.unit(view.forward * [1, 1, 0])
    side = np.array([away[1], -away[0], 0.0])
    facing = np.stack([side, np.cross(-away, side), -away], axis=1)
    warm = np.array([1 + lamp["warmth"], 1.0, 1 - lamp["warmth"]])
    light = spec["light"]
    wall = shapes.plate(300, 220, 0.0).moved(facing, away * c["backdrop_mm"] + [0, 0, 120.0])
    table = plastic([0.3 * v + 0.02 for v in c["backdrop"]], 0.4)
    if spec["surface"] != "record":
        out.add("table", shapes.plate(400, 400, -spec["ground"]["thickness_mm"] - 0.05), table)
    fill = lamp["fill"]
    if light == "back":
        panel = shapes.plate(110, 80, 0.0).moved(
            facing, away * (c["backdrop_mm"] - 5) + [0, 0, 60.0]
        )
        out.lamps.append(("panel", panel, list(1.6 * warm)))
        out.add("backdrop", wall, matt(*c["backdrop"]))
    else:
        out.add("backdrop", wall, matt(*c["backdrop"]))
    out.sky = list(fill * np.array([1.0, 1.0, 1.03]))
    toward = world.cantilever_direction(lamp["bearing_deg"], lamp["height_deg"])
    if light == "overcast":
        out.sky = [0.95, 1.0, 1.05]
    elif light in ("soft", "dim"):
        panel = shapes.plate(90, 90, 0.0).moved(
            shapes.frame_along(-toward, (0.3, 1, 0.2)), toward * 200
        )
        out.lamps.append(("softbox", panel, list(5.0 * warm)))
    elif light == "window":
        low = world.cantilever_direction(lamp["bearing_deg"], 18.0)
        panel = shapes.plate(80, 60, 0.0).moved(
            shapes.frame_along(-low, (0, 0, 1)), low * 190 + [0, 0, 20]
        )
        out.lamps.append(("window", panel, list(8.0 * warm)))
    elif light == "hard":
        bulb = shapes.ball(toward * 220, 9.0)
        out.lamps.append(("bulb", bulb, list(550.0 * warm)))
    elif light == "two lamps":
        for turn, high, size in ((0.0, lamp["height_deg"], 12.0), (140.0, 35.0, 8.0)):
            at = world.cantilever_direction(lamp["bearing_deg"] + turn, high) * 210
            out.lamps.append(("bulb", shapes.ball(at, size), list(200.0 * warm)))
    elif light == "strip lamp":
        # a long tube overhead: a streak along everything that shines
        long = shapes.plate(150, 6, 0.0).moved(
            shapes.frame_along(-toward, world.cantilever_direction(lamp["bearing_deg"] + 90, 0.0)),
            toward * 180,
        )
        out.lamps.append(("strip", long, list(60.0 * warm)))
    elif light == "two windows":
        # broad and low, from both sides
        for turn, strength in ((0.0, 5.0), (160.0, 3.0)):
            low = world.cantilever_direction(lamp["bearing_deg"] + turn, 18.0)
            panel = shapes.plate(70, 60, 0.0).moved(
                shapes.frame_along(-low, (0, 0, 1)), low * 190 + [0, 0, 20]
            )
            out.lamps.append(("window", panel, list(strength * warm)))
    elif light == "ceiling spots":
        # three small ones in a row, high up
        for turn in (-30.0, 0.0, 30.0):
            at = world.cantilever_direction(lamp["bearing_deg"] + turn, 68.0) * 220
            out.lamps.append(("bulb", shapes.ball(at, 6.0), list(300.0 * warm)))
    elif light == "skylight":
        panel = shapes.plate(120, 120, 0.0).moved(
            shapes.frame_along((0, 0, -1), (1, 0, 0)), (0, 0, 260)
        )
        out.lamps.append(("skylight", panel, list(3.0 * warm)))
    elif light == "globe lamp":
        at = world.cantilever_direction(lamp["bearing_deg"], 45.0) * 190
        out.lamps.append(("bulb", shapes.ball(at, 40.0), list(22.0 * warm)))
    elif light == "four panels":
        # small ones, two by two, above and to one side
        at = world.cantilever_direction(lamp["bearing_deg"], 55.0)
        frame = shapes.frame_along(-at, (0, 0, 1))
        for across, up in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
            panel = shapes.plate(20, 20, 0.0).moved(
                frame, at * 200 + 38 * (across * frame[:, 0] + up * frame[:, 1])
            )
            out.lamps.append(("window", panel, list(22.0 * warm)))
    elif light == "row of bulbs":
        # five small ones overhead, side by side
        at = world.cantilever_direction(lamp["bearing_deg"], 60.0)
        frame = shapes.frame_along(-at, (0, 0, 1))
        for k in range(-2, 3):
            out.lamps.append(("bulb", shapes.ball(at * 200 + frame[:, 0] * 42 * k, 9.0),
                              list(75.0 * warm)))  # fmt: skip
    elif light == "crossed tubes":
        # two tubes overhead, square to each other
        for turn in (45.0, 135.0):
            across = world.cantilever_direction(lamp["bearing_deg"] + turn, 0.0)
            tube = shapes.plate(140, 6, 0.0).moved(
                shapes.frame_along(-toward, across), toward * 185
            )
            out.lamps.append(("strip", tube, list(38.0 * warm)))
    elif light == "panel and bulb":
        # a soft panel on one side, a small warm bulb on the other
        side = world.cantilever_direction(lamp["bearing_deg"] + 40.0, 40.0)
        panel = shapes.plate(50, 50, 0.0).moved(shapes.frame_along(-side, (0, 0, 1)), side * 200)
        out.lamps.append(("window", panel, list(9.0 * warm)))
        at = world.cantilever_direction(lamp["bearing_deg"] - 60.0, 50.0) * 190
        out.lamps.append(("bulb", shapes.ball(at, 8.0), [120.0, 100.0, 70.0]))
    elif light == "disc and tube":
        # a large dim disc overhead, a bright tube low down beside
        above = world.cantilever_direction(lamp["bearing_deg"], 68.0)
        turned = shapes.frame_along(-above, (1, 0, 0))
        disc = shapes.lathe([(0.0, 75.0), (0.5, 75.0)]).moved(turned, above * 220)
        out.lamps.append(("window", disc, list(6.0 * warm)))
        low = world.cantilever_direction(lamp["bearing_deg"] + 110.0, 20.0)
        tube = shapes.lathe([(-90.0, 5.0), (90.0, 5.0)], sides=32).moved(
            shapes.frame_along((0, 0, 1), low), low * 190
        )
        out.lamps.append(("strip", tube, list(40.0 * warm)))
    elif light == "doorway and lamp":
        # a tall bright doorway on one side, a small lamp high on the other
        side = world.cantilever_direction(lamp["bearing_deg"] + 70.0, 15.0)
        frame = shapes.frame_along(-side, (0, 0, 1))
        out.lamps.append(("window", shapes.plate(36, 90, 0.0).moved(frame, side * 230),
                          list(16.0 * warm)))  # fmt: skip
        at = world.cantilever_direction(lamp["bearing_deg"] - 80.0, 65.0) * 200
        out.lamps.append(("bulb", shapes.ball(at, 14.0), list(70.0 * warm)))
    elif light == "low sun":
        # small, bright and low, a pale sky opposite
        at = world.cantilever_direction(lamp["bearing_deg"], 14.0) * 260
        out.lamps.append(("bulb", shapes.ball(at, 9.0), list(260.0 * warm)))
        above = world.cantilever_direction(lamp["bearing_deg"] + 180.0, 45.0)
        frame = shapes.frame_along(-above, (0, 0, 1))
        out.lamps.append(("window", shapes.plate(90, 60, 0.0).moved(frame, above * 240),
                          list(2.5 * warm)))  # fmt: skip
    elif light == "blinds":
        # a window behind slats: five bright bands
        low = world.cantilever_direction(lamp["bearing_deg"], 25.0)
        frame = shapes.frame_along(-low, (0, 0, 1))
        for k in range(-2, 3):
            band = shapes.plate(9, 70, 0.0).moved(frame, low * 190 + frame[:, 0] * 26 * k)
            out.lamps.append(("window", band, list(14.0 * warm)))
    elif light == "any":
        odd.lamps(out, spec, warm)
    elif light == "table lamp":
        # near, low and to one side
        at = world.cantilever_direction(lamp["bearing_deg"], 20.0) * 130 + [0, 0, 15]
        out.lamps.append(("bulb", shapes.ball(at, 10.0), list(150.0 * warm)))
    elif light == "ring":
        t = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        circle = np.stack([np.cos(t), np.sin(t), 0 * t], 1)
        # listed outside first, so that the face with the emission looks along the lens
        annulus = shapes.rings([circle * 24, circle * 12], False, False)
        frame = shapes.frame_along(view.forward, view.up)
        out.lamps.append(("ring", annulus.moved(frame, view.position), list(35.0 * warm)))
    if c["shadow"] and light in ("hard", "soft", "dim", "window"):
        _shadow_card(
            out,
            toward if light != "window" else world.cantilever_direction(lamp["bearing_deg"], 18.0),
        )
    if c["things"]:
        _things(out, spec, away, side)
    if c["foreground"]:
        _foreground(out, spec)


def _shadow_card(out: Assembly, toward: Array) -> None:
    assert out.view is not None
    to_camera = world.unit(out.view.position)
    if toward @ to_camera > 0.6 or toward @ to_camera < -0.6:
        return
    frame = shapes.frame_along(toward, to_camera)
    # its edge runs near the stylus; the card itself stays out of the camera's way
    centre = toward * 70 - frame[:, 0] * 26 + frame[:, 1] * 3
    out.add("card", shapes.plate(25, 60, 0.0).moved(frame, centre), matt(0.2))


def _things(out: Assembly, spec: dict[str, Any], away: Array, side: Array) -> None:
    rng = np.random.default_rng(spec["clutter"]["things_seed"])
    far = spec["clutter"]["backdrop_mm"]
    near = 26.0 if spec["quantity"] == "rake" else 45.0
    for _ in range(spec["clutter"]["things"]):
        reach = rng.uniform(near, max(far - 6, near + 8))
        size = rng.uniform(4, 22, 3)
        centre = away * reach + side * rng.uniform(-45, 45) + [0, 0, rng.uniform(0.5 * size[2], 70)]
        colour = list(rng.uniform(0.02, 0.85, 3))
        material = plastic(colour, 0.15) if rng.random() < 0.4 else matt(*colour)
        mesh = (
            shapes.ball(centre, size[0] / 2)
            if rng.random() < 0.3
            else shapes.box(centre, size, world.rotation_z(rng.uniform(0, 90)))
        )
        out.add("thing", mesh, material)


def _foreground(out: Assembly, spec: dict[str, Any]) -> None:
    assert out.view is not None
    rng = np.random.default_rng(spec["clutter"]["things_seed"] + 7)
    view, c = out.view, spec["camera"]
    share = rng.uniform(0.5, 0.65)
    side = rng.choice([-1.0, 1.0])
    reach = c["distance_mm"] * share
    half = 0.5 * c["field_mm"] * share
    centre = view.position + view.forward * reach + view.right * side * half * rng.uniform(1.3, 1.6)
    thick = half * 0.5
    post = shapes.lathe([(-half * 1.0, thick), (half * 3, thick)], sides=40)
    lean = shapes.frame_along(view.up + side * 0.3 * view.right, view.forward)
    out.add(
        "foreground",
        post.moved(lean, centre + view.up * half * 0.5),
        matt(*rng.uniform(0.03, 0.4, 3)),
    )
