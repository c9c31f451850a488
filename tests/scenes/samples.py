"""The photographs of `sample_images/`: typical scenes, chosen by hand, and a few to retake.

Comes in: the scenes pinned in `sample_scenes.json` (full parameters, so that later changes of the
random recipes leave the samples alone) and their renders. Goes out: JPEGs and `truth.json` with a
plain description of each. To make them again:

    python -m tests.scenes.photosets render samples --cache DIR --variant llvm_ad_rgb --workers 2
    python -m tests.scenes.photosets samples --cache DIR --out sample_images
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

PINNED = Path(__file__).with_name("sample_scenes.json")
SIDEWAYS = "cantilever-2.jpg"


def spec_of(quantity: str, seed: int) -> dict[str, Any]:
    """Parameters of one pinned sample scene."""
    found: dict[str, Any] = json.loads(PINNED.read_text())[f"{quantity}-{seed}"]["scene"]
    return found


def write_samples(cache: Path, out: Path) -> None:
    """Write the sample photographs and their truth."""
    from tests.scenes import degrade, photosets, unusable

    truth: dict[str, Any] = {}
    for index, (key, pinned) in enumerate(json.loads(PINNED.read_text()).items()):
        quantity, seed = key.split("-")
        linear, spec = photosets.load(cache / f"samples-{key}")
        rng = np.random.default_rng([77, index])
        plan = degrade.plan(rng, False, quantity == "rake")
        name = f"{quantity}-{int(seed) % 100 + 1}.jpg"
        plan |= {"width": 1600, "height": 1200, "motion_px": 0.0, "jpeg_quality": 86,
                 "noise": min(plan["noise"], 0.01), "exposure": 1.0,
                 "exif_focal": "width" if index % 3 == 1 else "diagonal",
                 "orientation": 6 if name == SIDEWAYS else 1}  # fmt: skip
        record = photosets.write_photo(out / name, linear, spec, plan, rng)
        truth[name] = {"description": pinned["description"], "usable": True} | record
    for name, quantity, kind, text in unusable.SAMPLES:
        linear, spec = photosets.load(cache / f"samples-{quantity}-5000")
        rng = np.random.default_rng([78, len(truth)])
        data = unusable.spoil(kind, linear, spec, rng, size=(1600, 1200), quality=82)
        (out / name).write_bytes(data)
        truth[name] = {"description": text + ".", "usable": False, "quantity": quantity,
                       "truth_deg": None, "spoiled": kind}  # fmt: skip
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
