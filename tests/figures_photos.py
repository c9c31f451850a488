"""Sets of rendered photographs with truth, read and counted: one row a group.

Coverage, error and honesty always stand in the same row. `read_set` reads photographs alone,
`read_marked` with lines drawn as by hand, `read_pairs` a left and a right photograph jointly.
"""

from __future__ import annotations

import json
import math
import statistics
import sys
import time
import zlib
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy import stats

from tests.scenes import recipe
from vision.combine import combine_photos
from vision.measure import Options, measure_file
from vision.reading import Outcome, Reading

HEAD = (
    f"{'group':28s} {'n':>4s} {'answered':>9s} {'RMSE':>7s} {'worst':>7s} "
    f"{'within U':>9s} {'95 % interval':>14s} {'RMS(err/u)':>10s} {'median s':>9s}"
)


@dataclass(frozen=True)
class Result:
    """One photograph (or pair) read: error and expanded uncertainty in degrees, or a reason.

    ``common`` says whether what is measured has a shape that makers use.
    """

    photo: str
    group: str
    error: float | None
    expanded_u: float | None
    seconds: float
    reason: str = ""
    common: bool = False

    @property
    def answered(self) -> bool:
        return self.expanded_u is not None


Task = tuple[Path, dict[str, Any]]


def tasks_of(folder: Path, only: str | None = None) -> list[Task]:
    """Photographs of a set with their truth, in order of name."""
    try:
        truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    except OSError:
        sys.exit(f"{folder}: no truth.json; make the set with python -m tests.scenes.photosets")
    tasks = [
        (folder / name, truth)
        for name, truth in sorted(truths.items())
        if only is None or truth["quantity"] == only
    ]
    if not tasks:
        sys.exit(f"{folder}: no photographs of {only or 'any quantity'} in truth.json")
    return tasks


def read_set(
    folder: Path, jobs: int, only: str | None = None, common: bool = False
) -> list[Result]:
    """Every photograph of a set, or every one of common shapes, read alone."""
    tasks = [task for task in tasks_of(folder, only) if _common(task[1]) or not common]
    return _spread(_read_one, tasks, jobs)


def read_marked(
    folder: Path, jobs: int, names: set[str] | None = None, only: str | None = None
) -> list[Result]:
    """Photographs read from lines drawn as by hand; rake and azimuth on mirrors only."""
    tasks = [
        (path, truth)
        for path, truth in tasks_of(folder, only)
        if (names is None or path.name in names) and _can_be_marked(truth)
    ]
    return _spread(_read_marked_one, tasks, jobs)


def read_pairs(folder: Path, jobs: int) -> tuple[list[Result], list[Result]]:
    """Photographs of a set of pairs read alone, and each left and right photograph jointly."""
    truths = {path.name: (path, truth) for path, truth in tasks_of(folder)}
    pairs = []
    for path, truth in truths.values():
        other = f"{truth['quantity']}-{truth['seed'] + 1}-{path.stem.split('-')[-1]}.jpg"
        if truth["seed"] % 2 == 0 and other in truths:
            pairs.append(((path, truth), truths[other]))
    both = _spread(_read_pair, pairs, jobs)
    return [r for alone, _ in both for r in alone], [joint for _, joint in both]


def _spread(work: Callable[[Any], Any], tasks: Sequence[Any], jobs: int) -> list[Any]:
    if jobs == 1:
        return [work(t) for t in tasks]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(work, tasks, chunksize=2))


def _read_one(task: Task) -> Result:
    return _read(task, Options(tip=str(task[1].get("tip", ""))))


def _read_marked_one(task: Task) -> Result:
    from tests.scenes import hand_marks

    path, truth = task
    rng = np.random.default_rng(zlib.crc32(path.name.encode()))
    marks = hand_marks.drawn_lines(truth, rng)
    pivot = truth.get("pivot_side_in_photo") or "auto"
    return _read(task, Options(marks=marks, pivot=pivot))


def _read_pair(pair: tuple[Task, Task]) -> tuple[list[Result], Result]:
    cv2.setNumThreads(1)
    began = time.perf_counter()
    alone, outcomes = [], []
    for path, truth in pair:
        started = time.perf_counter()
        outcomes.append(measure_file(path, "cantilever", Options()))
        spent = time.perf_counter() - started
        alone.append(_result(path.name, group_of(truth), truth, outcomes[-1], spent))
    refused = [o for o in outcomes if not isinstance(o, Reading)]
    sources = [str(path) for path, _ in pair]
    joint = refused[0] if refused else combine_photos("cantilever", outcomes, sources, Options())
    spent = time.perf_counter() - began
    name = " + ".join(path.name for path, _ in pair)
    return alone, _result(name, "cantilever, paper pairs", pair[0][1], joint, spent)


def _read(task: Task, options: Options) -> Result:
    cv2.setNumThreads(1)
    path, truth = task
    began = time.perf_counter()
    try:
        outcome = measure_file(path, str(truth["quantity"]), options)
    except Exception as error:  # a fault is a refusal here, and told by its name
        fault = f"FAULT {error!r}"
        return Result(path.name, group_of(truth), None, None, 0.0, fault, _common(truth))
    return _result(path.name, group_of(truth), truth, outcome, time.perf_counter() - began)


def _result(
    name: str, group: str, truth: dict[str, Any], outcome: Outcome, seconds: float
) -> Result:
    if not isinstance(outcome, Reading):
        return Result(name, group, None, None, seconds, outcome.reason, _common(truth))
    true = truth.get("truth_deg")
    error = None if true is None else outcome.value - float(true)
    u = outcome.expanded_uncertainty
    return Result(name, group, error, u, seconds, common=_common(truth))


def _common(truth: dict[str, Any]) -> bool:
    return {"body", "cantilever", "stylus"} <= truth.keys() and recipe.common_shape(truth)


def _can_be_marked(truth: dict[str, Any]) -> bool:
    if truth.get("truth_deg") is None:
        return False
    return truth["quantity"] == "cantilever" or "mirror" in truth["surface"]


def group_of(truth: dict[str, Any]) -> str:
    """Quantity and kind of surface."""
    if truth.get("truth_deg") is None:
        return f"unusable ({truth['quantity']})"
    surface = str(truth.get("surface", ""))
    if surface in ("record", "paper") or "card" in surface:
        return f"{truth['quantity']}, {surface}"
    return f"{truth['quantity']}, mirrors"


def table(results: Sequence[Result]) -> str:
    """One row a group, then one row for each quantity: coverage, error and honesty together.

    Under a group a row of those of common shapes, where some are and some are not.
    """
    rows = [HEAD]
    for group in sorted({r.group for r in results}):
        members = [r for r in results if r.group == group]
        rows.append(_row(group, members))
        common = [r for r in members if r.common]
        if 0 < len(common) < len(members):
            rows.append(_row("  of these, common shapes", common))
    quantities = sorted({r.group.split(",")[0] for r in results})
    for quantity in quantities:
        members = [r for r in results if r.group.split(",")[0] == quantity]
        if len({r.group for r in members}) > 1:
            rows.append(_row(f"all {quantity}", members))
    return "\n".join(rows)


def _row(name: str, members: Sequence[Result]) -> str:
    answered = [r for r in members if r.answered]
    seconds = statistics.median(r.seconds for r in members)
    start = f"{name:28s} {len(members):4d} {len(answered) / len(members):9.1%}"
    errors = np.array([r.error for r in answered if r.error is not None], float)
    if errors.size == 0:
        return f"{start} {'':51s} {seconds:9.2f}"
    u = np.array([r.expanded_u for r in answered if r.error is not None], float)
    low, high = stats.binom.interval(0.95, errors.size, 0.95)
    return (
        f"{start} {math.sqrt(float(np.mean(errors**2))):6.3f}° {np.abs(errors).max():6.3f}° "
        f"{np.mean(np.abs(errors) <= u):9.1%} "
        f"{low / errors.size:6.1%}-{high / errors.size:6.1%} "
        f"{math.sqrt(float(np.mean((2 * errors / u) ** 2))):10.2f} {seconds:9.2f}"
    )


def details(results: Sequence[Result]) -> str:
    """One line a photograph: its error and U, or why it was refused."""
    told = []
    for r in results:
        if r.error is not None:
            outcome = f"{r.error:+.3f} U {r.expanded_u:.3f}"
        else:
            outcome = r.reason or f"ANSWERED, U {r.expanded_u:.3f}"
        told.append(f"{r.photo:28s} {r.seconds:5.2f} s  {outcome}")
    return "\n".join(told)
