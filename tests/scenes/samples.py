"""The photographs of `sample_images/`: typical scenes, chosen by hand, and a few to retake.

Comes in: the render cache. Goes out: JPEGs and `truth.json` with a plain description of each.
`python -m tests.scenes.photosets render samples` and then `... samples` make them again.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.scenes import recipe

_CALM = {"foreground": False, "shadow": False}

# quantity, seed, what is set by hand, what the picture shows
SCENES: list[tuple[str, int, dict[str, Any], str]] = [
    ("rake", 5000, {"surface": "mirror", "light": "back", "background": "plain", "clutter": _CALM,
                    "stylus": {"transparent": False, "mount": "bare", "shank": "square"}, "camera": {"field_mm": 3.4}, "ground": {"lint": 0}},
     "Side-on on a first-surface mirror, dark square shank, panel of light behind"),
    ("rake", 5001, {"surface": "record", "light": "soft", "background": "plain", "clutter": _CALM,
                    "camera": {"field_mm": 3.8, "elevation_deg": 2.6}, "ground": {"looks": "glossy"},
                    "stylus": {"transparent": False, "mount": "bare"}},
     "Side-on on a record, lens nearly at record height, soft light"),
    ("rake", 5002, {"surface": "mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                    "stylus": {"transparent": True, "mount": "bare", "shank": "square"},
                    "cantilever": {"material": "metal"}, "camera": {"field_mm": 3.0}},
     "Side-on on a mirror, bare transparent diamond, soft light"),
    ("rake", 5003, {"surface": "mirror", "light": "soft", "background": "clutter", "clutter": _CALM | {"things": 8},
                    "stylus": {"transparent": False, "mount": "bonded"}, "cantilever": {"material": "red"},
                    "camera": {"field_mm": 4.6}},
     "Side-on on a mirror, red rod, bonded tip, cluttered room behind"),
    ("rake", 5004, {"surface": "record", "light": "hard", "background": "clutter", "clutter": _CALM | {"things": 6},
                    "camera": {"field_mm": 3.2, "elevation_deg": 4.4}, "cantilever": {"material": "black"},
                    "stylus": {"transparent": False}},
     "Side-on on a record, one hard lamp"),
    ("cantilever", 5000, {"surface": "mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                          "camera": {"elevation_deg": 38.0, "off_axis_deg": 6.0, "field_mm": 20.0},
                          "cantilever": {"material": "metal"}},
     "From the front and above over a grid on a first-surface mirror"),
    ("cantilever", 5001, {"surface": "paper", "light": "soft", "background": "plain", "clutter": _CALM,
                          "camera": {"elevation_deg": 44.0, "off_axis_deg": 3.0, "field_mm": 19.0},
                          "cantilever": {"material": "black"}},
     "From the front and above over a grid printed on paper"),
    ("cantilever", 5002, {"surface": "back-silvered mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                          "camera": {"elevation_deg": 40.0, "off_axis_deg": -5.0, "field_mm": 20.0},
                          "cantilever": {"material": "red"}},
     "From the front and above over a grid on a back-silvered mirror: the ink shows twice"),
    ("cantilever", 5003, {"surface": "mirror", "light": "back", "background": "clutter", "clutter": _CALM | {"things": 7},
                          "camera": {"elevation_deg": 33.0, "off_axis_deg": -8.0, "field_mm": 22.0},
                          "cantilever": {"material": "metal"}},
     "Over a grid on a mirror, bright panel behind, cluttered room"),
    ("cantilever", 5004, {"surface": "paper", "light": "hard", "background": "plain", "clutter": _CALM,
                          "camera": {"elevation_deg": 38.0, "off_axis_deg": -6.0, "field_mm": 17.0},
                          "cantilever": {"material": "metal"}},
     "Over a grid on paper, one hard lamp: the rod throws a sharp shadow"),
    ("azimuth", 5000, {"surface": "mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                       "body": {"kind": "box", "taper": 0.0}},
     "Head-on on a mirror, plain box"),
    ("azimuth", 5001, {"surface": "mirror", "light": "back", "background": "plain", "clutter": _CALM,
                       "body": {"kind": "rounded"}},
     "Head-on on a mirror, rounded body against a bright panel"),
    ("azimuth", 5002, {"surface": "back-silvered mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                       "body": {"kind": "bevelled"}},
     "Head-on on a back-silvered mirror with a grid, bevelled body"),
    ("azimuth", 5003, {"surface": "mirror", "light": "hard", "background": "clutter", "clutter": _CALM | {"things": 7},
                       "body": {"kind": "two-colour"}},
     "Head-on on a mirror, two-colour body, one hard lamp, cluttered room"),
    ("azimuth", 5004, {"surface": "mirror", "light": "soft", "background": "plain", "clutter": _CALM,
                       "body": {"kind": "guard"}},
     "Head-on on a mirror, body with a stylus guard"),
]  # fmt: skip


def spec_of(quantity: str, seed: int) -> dict[str, Any]:
    """Parameters of one sample scene."""
    spec = recipe.draw(quantity, seed, "tuning")
    changes = next(c for q, s, c, _ in SCENES if (q, s) == (quantity, seed))
    for key, value in changes.items():
        spec[key] = spec[key] | value if isinstance(value, dict) else value
    rod, body = spec["cantilever"], spec["body"]
    rod["length_mm"] = max(rod["length_mm"], body["front_mm"] + 2.6)
    return spec


def write_samples(cache: Path, out: Path) -> None:
    """Write the sample photographs and their truth."""
    from tests.scenes import degrade, photosets, unusable

    truth: dict[str, Any] = {}
    for index, (quantity, seed, _, text) in enumerate(SCENES):
        linear, spec = photosets.load(cache / f"samples-{quantity}-{seed}")
        rng = np.random.default_rng([77, index])
        plan = degrade.plan(rng, False, quantity == "rake")
        plan |= {"width": 1600, "height": 1200, "motion_px": 0.0, "jpeg_quality": 88,
                 "noise": min(plan["noise"], 0.012), "exif_focal": "width" if index % 3 == 1 else "diagonal",
                 "orientation": 6 if index == 6 else 1}  # fmt: skip
        name = f"{quantity}-{seed % 100 + 1}.jpg"
        record = photosets.write_photo(out / name, linear, spec, plan, rng)
        truth[name] = {"description": text + ".", "usable": True} | record
    for name, quantity, kind, text in unusable.SAMPLES:
        seed = 5000 if quantity != "azimuth" else 5003
        linear, spec = photosets.load(cache / f"samples-{quantity}-{seed}")
        rng = np.random.default_rng([78, len(truth)])
        data = unusable.spoil(kind, linear, spec, rng, size=(1600, 1200), quality=82)
        (out / name).write_bytes(data)
        truth[name] = {"description": text + ".", "usable": False, "quantity": quantity,
                       "truth_deg": None, "spoiled": kind}  # fmt: skip
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
