"""How good the nearer look's word on the azimuth is: the constants `vision.azimuth_word.NEAR`.

    python -m tests.fit_azimuth_near SET [COPY ...]

Comes in: photographs with `truth.json` that the network was not taught (SET/fifth, SET/eighth), all
or some of the copies of each scene. Goes out: for each class of borders the likeliest ``u`` and
``far`` of a mixture of a normal distribution and an even one over `ANYWHERE_DEG` (scipy).

The half slope difference that is right is that of the pair of edges chosen, less what its azimuth
is off: both see the same perspective.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import norm

from vision.azimuth import _focal, depths_of
from vision.azimuth_choose import agree
from vision.azimuth_find import find_candidates, printed_lines
from vision.azimuth_fit import Fitter, fit_picture
from vision.azimuth_look import find_borders
from vision.azimuth_shown import Witness
from vision.azimuth_solve import Lens, solve_lines
from vision.azimuth_word import ANYWHERE_DEG, NEAR, near_half
from vision.photo import load_photo


def miss_of(path: Path, truth_deg: float) -> tuple[int, float] | None:
    """Class of a photograph's border, and by how much the nearer look is off, degrees."""
    photo = load_photo(path)
    rgb, scale = fit_picture(photo)
    ink = printed_lines(rgb)
    witness = Witness(rgb, scale)
    borders = find_borders(rgb, scale, witness.share, witness.own)
    near = near_half(borders)
    candidates = find_candidates(rgb, ink=ink, scale=scale)
    fitted = Fitter(rgb, scale, ink).fit_all(candidates, witness)
    choice = agree(fitted, photo.width, candidates)
    if near is None or choice is None:
        return None
    best = choice.best
    f, relative_u = _focal(photo.focal, best.edge.edge.length)
    lens = Lens(f, relative_u, *photo.centre, math.hypot(photo.width, photo.height) / 2)
    sides = {name: fit.edge for name, fit in best.sides.items()}
    solution = solve_lines(best.edge.edge, best.image.edge, sides, lens, depths_of(borders))
    right = math.degrees(best.half - solution.alpha) + truth_deg
    kind = next(k for k, good in enumerate(NEAR) if (good.u, good.far) == (near.u, near.far))
    return kind, near.half - right


def main(folder: Path, *copies: str) -> None:
    """Print the likeliest constants of each class."""
    truths = json.loads((folder / "truth.json").read_text())
    misses: list[list[float]] = [[] for _ in NEAR]
    for name, truth in sorted(truths.items()):
        asked = not copies or name.rsplit("-", 1)[1].split(".")[0] in copies
        if truth["quantity"] != "azimuth" or truth["truth_deg"] is None or not asked:
            continue
        found = miss_of(folder / name, truth["truth_deg"])
        if found is not None:
            misses[found[0]].append(found[1])
    for good, miss in zip(NEAR, misses, strict=True):

        def unlikely(p: list[float], x: list[float] = miss) -> float:
            far = 1 / (1 + math.exp(-p[1]))
            own = (1 - far) * norm.pdf(x, 0, math.exp(p[0]))
            return -float(np.log(own + far / ANYWHERE_DEG).sum())

        p = minimize(unlikely, [-2.0, -1.0], method="Nelder-Mead").x
        u, far = math.exp(p[0]), 1 / (1 + math.exp(-p[1]))
        print(good, len(miss), f"photos: u {u:.3f} far {far:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
