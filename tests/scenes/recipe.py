"""A scene's parameters, drawn at random from a seed.

Comes in: quantity, seed and which shape families. Goes out: a plain dictionary of numbers and words
(millimetres, degrees) from which `assembly.py` builds the scene, and the truth. Nothing is rendered
here. Ranges are those a careful person with a phone meets.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.scenes import odd

QUANTITIES = ("rake", "cantilever", "azimuth")
FAMILIES = ("tuning", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "odd",
            "ninth", "tenth", "eleventh", "twelfth", "thirteenth", "fourteenth",
            "fifteenth", "sixteenth", "seventeenth", "eighteenth", "common")  # fmt: skip
# The tenth scenes were drawn, and counted, by the number of the ninth family; those of common
# shapes by one that does not change when another family comes before them.
DRAWN_AS = {name: k for k, name in enumerate(FAMILIES)} | {
    "tenth": FAMILIES.index("ninth"),
    "common": 1000,
}


def _growing(common: str = "tuning", **added: list[str]) -> dict[str, list[str]]:
    """What each family draws from: all that those before it show, and what it adds.

    What "odd" adds only it shows. "common" draws what ``common`` does: shapes as they are made.
    """
    found: dict[str, list[str]] = {}
    shown: list[str] = []
    for family in FAMILIES:
        if family == "odd":
            found[family] = found["seventh"] + added["odd"]
            continue
        if family == "common":
            found[family] = found[common]
            continue
        shown = shown + added.get(family, [])
        found[family] = shown
    return found


BODIES = _growing(
    tuning=["box", "bevelled", "rounded", "open-front", "guard", "two-colour"],
    second=["octagon", "stepped", "prow", "cheeks"],
    third=["flange", "ribbed", "keystone"],
    fourth=["lipped", "drilled"],
    fifth=["gabled", "panelled"],
    sixth=["waisted", "seamed"],
    seventh=["arched", "halved"],
    eighth=["collared", "notched"],
    odd=["freeform"] * 6,
    ninth=["pillared", "terraced"],
    tenth=["louvred", "hooded"],
    eleventh=["studded", "winged"],
    twelfth=["tiled", "buttressed"],
    thirteenth=["hooped", "pegged"],
    fourteenth=["keeled", "saddled"],
    fifteenth=["canted", "finned"],
    sixteenth=["quartered", "yoked"],
    seventeenth=["cowled", "chequered"],
    eighteenth=["bossed", "slatted"],
)
RODS = _growing(
    tuning=["tube", "thin rod", "tapered"],
    second=["rounded rod", "square rod"],
    third=["sleeved rod"],
    fourth=["banded tube"],
    fifth=["oval rod"],
    sixth=["six-sided rod"],
    seventh=["necked rod"],
    eighth=["stepped rod"],
    odd=["turned rod"] * 4,
    ninth=["flared rod"],
    tenth=["ringed rod"],
    eleventh=["waisted rod"],
    twelfth=["bulged rod"],
    thirteenth=["grooved rod"],
    fourteenth=["beaded rod"],
    fifteenth=["clubbed rod"],
    sixteenth=["jacketed rod"],
    seventeenth=["bottle rod"],
    eighteenth=["spooled rod"],
)
THICK_RODS = ("tube", "tapered", "banded tube", "turned rod")
SHANKS = _growing(
    tuning=["round", "square"],
    second=["octagon"],
    third=["hexagon"],
    fourth=["flatted"],
    fifth=["rounded square"],
    sixth=["oblong"],
    seventh=["stadium"],
    eighth=["fluted"],
    odd=["freeform"] * 4,
    ninth=["lens"],
    tenth=["cushion"],
    eleventh=["lobed"],
    twelfth=["bar"],
    thirteenth=["rhomb"],
    fourteenth=["heptagon"],
    fifteenth=["pentagon"],
    sixteenth=["ellipse"],
    seventeenth=["cross"],
    eighteenth=["rosette"],
)
TIPS = _growing(
    "eighteenth", tuning=["conical", "elliptical", "long-edge"], second=["tapered shank"], odd=[]
)
LIGHTS = _growing(
    "eighteenth",
    tuning=["back", "soft", "hard", "dim"],
    second=["window", "ring"],
    third=["two lamps"],
    fourth=["strip lamp"],
    fifth=["table lamp"],
    sixth=["two windows"],
    seventh=["overcast"],
    eighth=["ceiling spots"],
    odd=["any"] * 6,
    ninth=["blinds"],
    tenth=["skylight"],
    eleventh=["globe lamp"],
    twelfth=["four panels"],
    thirteenth=["row of bulbs"],
    fourteenth=["crossed tubes"],
    fifteenth=["panel and bulb"],
    sixteenth=["disc and tube"],
    seventeenth=["doorway and lamp"],
    eighteenth=["low sun"],
)
SURFACES = {
    "rake": (["mirror", "record", "back-silvered mirror", "glossy card", "matt card"],
             [0.44, 0.40, 0.06, 0.06, 0.04]),
    "cantilever": (["mirror", "back-silvered mirror", "paper", "glossy card"],
                   [0.42, 0.26, 0.26, 0.06]),
    "azimuth": (["mirror", "back-silvered mirror", "black glass"], [0.6, 0.3, 0.1]),
}  # fmt: skip


def draw(quantity: str, seed: int, family: str = "tuning") -> dict[str, Any]:
    """Parameters of scene number `seed`.

    Parameters
    ----------
    quantity : {"rake", "cantilever", "azimuth"}
    seed : int
        The same seed always gives the same scene.
    family : str
        One of FAMILIES. Each also draws shapes and lights that those before it never show; "odd"
        draws any, of many that no maker makes (`odd.py`), for networks to learn from.
    """
    if quantity not in QUANTITIES:
        raise ValueError(f"quantity: {quantity!r}; allowed: {', '.join(QUANTITIES)}")
    if family not in FAMILIES:
        raise ValueError(f"family: {family!r}; allowed: {', '.join(FAMILIES)}")
    rng = np.random.default_rng([QUANTITIES.index(quantity), DRAWN_AS[family], seed])
    names, weights = SURFACES[quantity]
    spec: dict[str, Any] = {
        "quantity": quantity,
        "seed": seed,
        "family": family,
        "surface": str(rng.choice(names, p=weights)),
        "light": str(rng.choice(LIGHTS[family])),
        "background": str(rng.choice(["plain", "clutter"], p=[0.6, 0.4])),
    }
    spec |= _angles(rng, quantity)
    spec["cantilever"] = _cantilever(rng, family)
    spec["stylus"] = _stylus(rng, family, 1.5 * spec["cantilever"]["radius_mm"])
    spec["body"] = _body(rng, family)
    spec["ground"] = _ground(rng, spec)
    spec["camera"] = _camera(rng, spec)
    spec["clutter"] = _clutter(rng, spec)
    spec["lamp"] = _lamp(rng)
    if family == "odd":
        odd.vary(spec, rng)
    return spec


def common_shape(spec: dict[str, Any]) -> bool:
    """Whether what is measured of a scene has a shape that makers use, as the tuning scenes show.

    Of a rake's scene that is the stylus, of a cantilever's the rod, of an azimuth's the body.
    """
    if spec["quantity"] == "azimuth":
        return spec["body"]["kind"] in BODIES["common"]
    if spec["quantity"] == "cantilever":
        return spec["cantilever"]["kind"] in RODS["common"]
    return spec["stylus"]["shank"] in SHANKS["common"]


def _u(rng: np.random.Generator, low: float, high: float) -> float:
    return round(float(rng.uniform(low, high)), 4)


def _angles(rng: np.random.Generator, quantity: str) -> dict[str, float]:
    wide = quantity == "cantilever"
    azimuth = _u(rng, -3.5, 3.5) if quantity == "azimuth" else _u(rng, -1.5, 1.5)
    return {
        "rake_deg": _u(rng, 87.0, 97.0),
        # a body rolled clockwise carries the top of its stylus to the viewer's right
        "side_lean_deg": round(-azimuth + float(np.clip(rng.normal(0, 0.6), -1.5, 1.5)), 4),
        "azimuth_deg": azimuth,
        "cantilever_yaw_deg": _u(rng, -4, 4) if wide else _u(rng, -1.5, 1.5),
        "cantilever_rise_deg": round(float(np.clip(rng.normal(20.5, 3.0), 14, 27)), 4),
        "sheet_yaw_deg": _u(rng, -10, 10) if wide else _u(rng, -4, 4),
        "body_yaw_deg": _u(rng, -2.5, 2.5) if wide else _u(rng, -1.0, 1.0),
        "body_pitch_deg": _u(rng, -1.5, 1.5),
    }


def _stylus(rng: np.random.Generator, family: str, widest_mm: float) -> dict[str, Any]:
    tip = str(rng.choice(TIPS[family]))
    mount = str(rng.choice(["bare", "bonded"], p=[0.65, 0.35]))
    width = _u(rng, 0.12, float(np.clip(widest_mm, 0.16, 0.30)))
    return {
        "shank": str(rng.choice(SHANKS[family])) if mount == "bare" else "round",
        "tip": tip,
        "mount": mount,
        "width_mm": width,
        "cone_deg": _u(rng, 45, 65),
        "transparent": bool(rng.random() < 0.5),
        "front_back_squash": _u(rng, 0.55, 0.8) if tip == "elliptical" else 1.0,
        "flats_deg": _u(rng, 26, 40) if tip == "long-edge" else None,
        "taper_deg": _u(rng, 4, 12) if tip == "tapered shank" else 0.0,
        "turn_deg": _u(rng, -45, 45),
        "tip_radius_mm": _u(rng, 0.006, 0.018),
        "bare_shank_mm": _u(rng, 0.08, 0.38),
        "through_mm": _u(rng, -0.02, 0.09),
        "grey": _u(rng, 0.02, 0.35),
        "glue": bool(rng.random() < 0.45),
    }


def _cantilever(rng: np.random.Generator, family: str) -> dict[str, Any]:
    kind = str(rng.choice(RODS[family]))
    radius = _u(rng, 0.16, 0.33) if kind in THICK_RODS else _u(rng, 0.10, 0.19)
    grow = _u(rng, 1.3, 1.9) if kind == "tapered" else 1.0
    return {
        "kind": kind,
        "radius_mm": radius,
        "far_radius_mm": round(radius * grow, 4),
        "bore_mm": round(radius * _u(rng, 0.6, 0.85), 4) if "tube" in kind else 0.0,
        "overhang_mm": _u(rng, 0.12, 0.45),
        "length_mm": _u(rng, 5.0, 7.5),
        "material": str(
            rng.choice(["metal", "black", "red", "translucent"], p=[0.4, 0.3, 0.17, 0.13])
        ),
        "roughness": _u(rng, 0.06, 0.35),
    }


def _body(rng: np.random.Generator, family: str) -> dict[str, Any]:
    kind = str(rng.choice(BODIES[family]))
    hue = rng.uniform(0, 1, 3)
    dark = rng.random() < 0.45
    colour = hue * 0.08 + 0.015 if dark else 0.08 + 0.7 * hue
    second = rng.uniform(0.02, 0.8, 3)
    return {
        "kind": kind,
        "width_mm": _u(rng, 12, 18),
        "height_mm": _u(rng, 7, 13),
        "depth_mm": _u(rng, 14, 24),
        "gap_mm": _u(rng, 1.0, 2.2),
        "front_mm": _u(rng, 1.8, 4.2),
        "bevel_mm": _u(rng, 0.12, 0.6),
        "corner_mm": _u(rng, 0.8, 2.6),
        "taper": _u(rng, 0.0, 0.25) if rng.random() < 0.45 else 0.0,
        "slant": _slant(rng, kind),
        "colour": [round(float(c), 3) for c in colour],
        "second_colour": [round(float(c), 3) for c in second],
        "gloss": _u(rng, 0.05, 0.4) if rng.random() < 0.6 else None,
        "label": bool(rng.random() < 0.5),
        "label_seed": int(rng.integers(1 << 30)),
        "screws": bool(rng.random() < 0.5),
        "shell_grey": _u(rng, 0.03, 0.6),
        "shell_width_mm": _u(rng, 13, 22),
    }  # fmt: skip


def _slant(rng: np.random.Generator, kind: str) -> float:
    if kind == "prow":
        return _u(rng, 0.1, 0.45)
    if kind in ("drilled", "seamed", "halved", "collared"):
        return 0.0
    return _u(rng, 0, 0.15) if rng.random() < 0.3 else 0.0


def _ground(rng: np.random.Generator, spec: dict[str, Any]) -> dict[str, Any]:
    quantity = spec["quantity"]
    printed = quantity == "cantilever" or (quantity == "azimuth" and rng.random() < 0.6)
    glassy = "mirror" in spec["surface"] or spec["surface"] == "black glass"
    dirt = rng.random()
    scale = 1.0 if quantity == "rake" else 3.0
    return {
        "grid_pitch_mm": float(rng.choice([5.0, 10.0], p=[0.7, 0.3])) if printed else 0.0,
        "ink_mm": _u(rng, 0.12, 0.25),
        "ink_grey": _u(rng, 0.01, 0.08),
        "null_offset_mm": [_u(rng, -0.3, 0.3), _u(rng, -0.3, 0.3)],
        "thickness_mm": _u(rng, 1.8, 4.2),
        "half_x_mm": _u(rng, 40, 65),
        "half_y_mm": _u(rng, 30, 60),
        "paper": [round(float(v), 3) for v in rng.uniform(0.68, 0.86) * rng.uniform(0.94, 1.0, 3)],
        "looks": str(rng.choice(["glossy", "worn"])),
        "groove_pitch_mm": _u(rng, 0.085, 0.14),
        "groove_mm": _u(rng, 0.04, 0.065),
        "groove_radius_mm": _u(rng, 60, 146),
        "groove_turn_deg": _u(rng, -2.2, 2.2),
        "groove_loudness_mm": _u(rng, 0.0, 0.012),
        "dust": int(rng.integers(0, 30)) if dirt < 0.6 else 0,
        "dust_mm": round(0.012 * scale, 4),
        "lint": int(rng.integers(1, 4)) if rng.random() < 0.35 else 0,
        "scratches": int(rng.integers(1, 7)) if glassy and rng.random() < 0.35 else 0,
        "dirt_seed": int(rng.integers(1 << 30)),
    }


def _camera(rng: np.random.Generator, spec: dict[str, Any]) -> dict[str, Any]:
    quantity = spec["quantity"]
    width = spec["body"]["width_mm"]
    if quantity == "rake":
        side = str(rng.choice(["left", "right"]))
        phone = rng.random() < 0.06
        field = (
            _u(rng, 10, 22)
            if phone
            else round(float(np.exp(rng.uniform(np.log(2.2), np.log(6)))), 4)
        )
        distance = _u(rng, 90, 140) if phone else _u(rng, 35, 80)
        shift = 0.16 * field
        # a clip-on lens or a crop: the angle of view stays small
        return {
            "pivot_side": side,
            "off_axis_deg": _u(rng, -4, 4),
            "elevation_deg": _u(rng, 0.5, 8.0),
            "roll_deg": _u(rng, -5, 5),
            "distance_mm": distance,
            "field_mm": field,
            "aim_mm": [round(shift * float(rng.uniform(-0.3, 1.2)), 4), 0.0,
                       round(field * float(rng.uniform(0.0, 0.15)), 4)],
            "aperture_mm": round(float(rng.uniform(0.15, 0.6)), 4),
            "focus_error_mm": _u(rng, -0.1, 0.1),
        }  # fmt: skip
    if quantity == "cantilever":
        return {
            "pivot_side": None,
            "off_axis_deg": _u(rng, -15, 15),
            "elevation_deg": _u(rng, 20, 50),
            "roll_deg": _u(rng, -5, 5),
            "distance_mm": _u(rng, 90, 160),
            "field_mm": _u(rng, 13, 30),
            "aim_mm": [_u(rng, 0.0, 3.0), _u(rng, -1.5, 1.5), 0.4],
            "aperture_mm": _u(rng, 0.2, 0.8),
            "focus_error_mm": _u(rng, -0.4, 0.4),
        }
    return {
        "pivot_side": None,
        "off_axis_deg": _u(rng, -6, 6),
        "elevation_deg": _u(rng, 3, 15),
        "roll_deg": _u(rng, -5, 5),
        "distance_mm": _u(rng, 90, 160),
        "field_mm": _u(rng, 1.35 * width, 2.6 * width),
        "aim_mm": [_u(rng, 0.5, 3.0), _u(rng, -1.5, 1.5), _u(rng, 0.0, 2.5)],
        "aperture_mm": _u(rng, 0.2, 0.9),
        "focus_error_mm": _u(rng, -0.6, 0.6),
    }


def another_camera(rng: np.random.Generator, spec: dict[str, Any]) -> dict[str, Any]:
    """A camera drawn anew for a scene, on the same side of it."""
    return _camera(rng, spec) | {"pivot_side": spec["camera"]["pivot_side"]}


def _clutter(rng: np.random.Generator, spec: dict[str, Any]) -> dict[str, Any]:
    return {
        "backdrop": [round(float(v), 3) for v in rng.uniform(0.05, 0.8) * rng.uniform(0.6, 1.0, 3)],
        "backdrop_mm": _u(rng, 60, 140),
        "things": int(rng.integers(4, 12)) if spec["background"] == "clutter" else 0,
        "things_seed": int(rng.integers(1 << 30)),
        "foreground": bool(rng.random() < 0.15),
        "shadow": bool(rng.random() < 0.2),
    }


def _lamp(rng: np.random.Generator) -> dict[str, float]:
    return {
        "bearing_deg": _u(rng, 0, 360),
        "height_deg": _u(rng, 25, 75),
        "warmth": _u(rng, -0.15, 0.25),
        "fill": _u(rng, 0.15, 0.5),
    }
