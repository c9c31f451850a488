"""What the choice of an azimuth's edges rests on, from photographs: two sets of constants.

    python -m tests.fit_azimuth_near SET ... [copies=0,2]

Comes in: photographs with `truth.json` that the networks were not taught, and unusable ones, which
have no truth: in them no pair of edges is right. Goes out:

- `vision.azimuth_word.NEAR`: for each class of borders the likeliest ``u`` and ``far`` of a mixture
  of a normal distribution and an even one over `ANYWHERE_DEG` (scipy);
- `vision.azimuth_odds`: weights of a conditional logit between the pairs of a photo and none of
  them, a pair being right to `RIGHT_DEG`; those off by up to `GREY_DEG` are left out. The pairs are
  those that a reading chooses from: those told alone, and all when it has searched. How unlikely
  the truth is then, in scenes left out of the fit, tells whether a mark is worth having.

The half slope difference that is right is that of a pair of edges, less what its azimuth is off:
both see the same perspective.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import norm

from vision.azimuth import Stage, _focal, stages
from vision.azimuth_odds import WEIGHTS, marks_of, odds
from vision.azimuth_solve import Lens, solve_lines
from vision.azimuth_word import ANYWHERE_DEG, NEAR, Near
from vision.photo import Photo, load_photo

Array = NDArray[np.float64]
RIGHT_DEG, GREY_DEG, RIDGE, FOLDS = 0.15, 0.3, 0.1, 6


@dataclass
class Seen:
    """What one reading chooses from: marks and a one, how far off, odds, and the look's word."""

    scene: str
    marks: Array
    off: Array
    odds: Array
    half: Array
    near: Near | None
    truth: float | None


def seen_in(path: Path, truth_deg: float | None) -> list[Seen]:
    """The pairs of edges from which a photograph's reading chooses, at first and in the end."""
    photo = load_photo(path)
    choices: list[Stage] = []
    for k, stage in enumerate(stages(photo)):
        choices[1:] = [stage]
        if k > 0 and stage.settled:
            break
    scene = path.stem.rsplit("-", 1)[0]
    return [_seen(scene, stage, photo, truth_deg) for stage in choices if stage.known]


def _seen(scene: str, stage: Stage, photo: Photo, truth_deg: float | None) -> Seen:
    """What there is to choose from, and how far off each pair is."""
    pairs, near = stage.known, stage.near
    off = np.full(len(pairs), math.inf)
    for k, pair in enumerate(pairs):
        if truth_deg is None:
            continue
        f, relative_u = _focal(photo.focal, pair.edge.edge.length)
        lens = Lens(f, relative_u, *photo.centre, math.hypot(photo.width, photo.height) / 2)
        sides = {name: fit.edge for name, fit in pair.sides.items()}
        try:
            solution = solve_lines(pair.edge.edge, pair.image.edge, sides, lens, stage.depths)
        except (ValueError, np.linalg.LinAlgError):
            continue
        off[k] = math.degrees(solution.alpha) - truth_deg
    marks = [[*marks_of(pair, near, stage.tilt).values(), 1.0] for pair in pairs]
    half = np.degrees([pair.half for pair in pairs])
    value = np.array([odds(pair, near, stage.tilt) for pair in pairs])
    return Seen(scene, np.array(marks), off, value, half, near, truth_deg)


def unlikely(weights: Array, seen: list[Seen], ridge: float = RIDGE) -> tuple[float, Array]:
    """Less the logarithm of the truth's likelihood, and its gradient."""
    total, slope = ridge * float(weights[:-1] @ weights[:-1]), 2 * ridge * weights
    slope[-1] = 0.0
    for photo in seen:
        value = np.append(photo.marks @ weights, 0.0)
        p = np.exp(value - value.max())
        p /= p.sum()
        off = np.append(np.abs(photo.off), 0.0)
        right, clear = off < RIGHT_DEG, (off < RIGHT_DEG) | (off >= GREY_DEG)
        right[-1], clear[-1] = not right[:-1].any(), True
        total -= math.log(p[right].sum()) - math.log(p[clear].sum())
        pull = p * right / p[right].sum() - p * clear / p[clear].sum()
        slope -= pull[:-1] @ photo.marks
    return total, slope


def fit_weights(seen: list[Seen]) -> Array:
    """The likeliest weights, the constant last."""
    start = np.zeros(len(WEIGHTS) + 1)
    return np.asarray(minimize(unlikely, start, (seen,), jac=True, method="L-BFGS-B").x)


def print_near(seen: list[Seen]) -> None:
    """Constants of the nearer look's word, by the pair of the largest odds."""
    misses: list[list[float]] = [[] for _ in NEAR]
    for photo in seen:
        best = int(np.argmax(photo.odds))
        if photo.near is None or photo.truth is None or not math.isfinite(photo.off[best]):
            continue
        word = (photo.near.u, photo.near.far)
        kind = next(k for k, good in enumerate(NEAR) if (good.u, good.far) == word)
        misses[kind].append(photo.near.half - float(photo.half[best] - photo.off[best]))
    for good, miss in zip(NEAR, misses, strict=True):

        def improbable(p: list[float], x: list[float] = miss) -> float:
            far = 1 / (1 + math.exp(-p[1]))
            own = (1 - far) * norm.pdf(x, 0, math.exp(p[0]))
            return -float(np.log(own + far / ANYWHERE_DEG).sum())

        p = minimize(improbable, [-2.0, -1.0], method="Nelder-Mead").x
        u, far = math.exp(p[0]), 1 / (1 + math.exp(-p[1]))
        print(good, len(miss), f"photos: u {u:.3f} far {far:.2f}")


def main(*arguments: str) -> None:
    """Print the likeliest constants."""
    copies = [a.removeprefix("copies=") for a in arguments if a.startswith("copies=")]
    seen, final = [], []
    for folder in (Path(a) for a in arguments if not a.startswith("copies=")):
        for name, truth in sorted(json.loads((folder / "truth.json").read_text()).items()):
            copy = name.rsplit("-", 1)[1].split(".")[0]
            own = truth["truth_deg"]
            if truth["quantity"] == "azimuth" and (
                own is None or not copies or copy in copies[0].split(",")
            ):
                choices = seen_in(folder / name, own)
                seen += choices
                final += choices[-1:]
    print_near(final)
    names = [*WEIGHTS, "constant"]
    print({n: round(float(w), 2) for n, w in zip(names, fit_weights(seen), strict=True)})
    scenes = sorted({photo.scene for photo in seen})
    fold = {scene: k % FOLDS for k, scene in enumerate(scenes)}
    left_out = 0.0
    for k in range(FOLDS):
        weights = fit_weights([photo for photo in seen if fold[photo.scene] != k])
        left_out += unlikely(weights, [p for p in seen if fold[p.scene] == k], 0.0)[0]
    print(f"{len(seen)} choices, unlikelihood in scenes left out {left_out:.1f}")


if __name__ == "__main__":
    main(*sys.argv[1:])
