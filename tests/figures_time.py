"""Seconds and memory: in process at 12 megapixels, as a whole process, and over many photos."""

from __future__ import annotations

import io
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

from PIL import Image

from tests.figures_photos import tasks_of
from vision.measure import measure_file

REPEATS, PHOTOS = 5, 21


def in_process(folder: Path) -> str:
    """Median seconds of a 12 MP JPEG, decode included, and the peak memory, a process each."""
    rows = [f"{'12 MP, in process':24s} {'median s':>9s} {'n':>3s} {'peak MB':>8s}"]
    for quantity in ("rake", "cantilever", "azimuth"):
        with get_context("spawn").Pool(1) as pool:
            seconds, peak = pool.apply(_readings, (folder, quantity))
        median = statistics.median(seconds)
        rows.append(f"{quantity:24s} {median:9.2f} {len(seconds):3d} {peak:8.0f}")
    return "\n".join(rows)


def _some(folder: Path, quantity: str, count: int) -> list[Path]:
    """Photographs of as many scenes, evenly from all of a set's."""
    paths = [path for path, _ in tasks_of(folder, quantity)]
    return [paths[k * len(paths) // count] for k in range(min(count, len(paths)))]


def _readings(folder: Path, quantity: str) -> tuple[list[float], float]:
    seconds = []
    for path in _some(folder, quantity, PHOTOS):
        with Image.open(path) as image:
            exif = image.getexif()
            large = image.convert("RGB").resize((4000, 3000), Image.Resampling.BICUBIC)
        held = io.BytesIO()
        large.save(held, "JPEG", quality=92, exif=exif)
        del large
        began = time.perf_counter()
        measure_file(held.getvalue(), quantity, name=path.name)
        seconds.append(time.perf_counter() - began)
    return seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def whole_process(folder: Path) -> str:
    """Median seconds of `deckplumb --help` and of one `deckplumb read` a quantity."""
    rows = [f"{'whole process':24s} {'median s':>9s}"]
    rows.append(f"{'--help':24s} {_median_of(*[['--help']] * REPEATS):9.2f}")
    for quantity in ("rake", "cantilever", "azimuth"):
        runs = [["read", quantity, str(path)] for path in _some(folder, quantity, REPEATS)]
        rows.append(f"{'read ' + quantity:24s} {_median_of(*runs):9.2f}")
    return "\n".join(rows)


def jobs(folder: Path, count: int = 200) -> str:
    """Seconds for many photographs with one job and with two."""
    paths = [path for path, _ in tasks_of(folder, "azimuth")]
    with tempfile.TemporaryDirectory() as held:
        photos = []
        for i in range(count):
            copy = Path(held) / f"photo-{i}.jpg"
            shutil.copyfile(paths[i % len(paths)], copy)
            photos.append(str(copy))
        spent = [_seconds(["read", "azimuth", *photos, "--json", "--jobs", str(n)]) for n in (1, 2)]
    return (
        f"{count} photos: {spent[0]:.1f} s with one job, {spent[1]:.1f} s with two: "
        f"{spent[0] / spent[1]:.2f} x"
    )


def _median_of(*runs: list[str]) -> float:
    return statistics.median(map(_seconds, runs))


def _seconds(arguments: list[str]) -> float:
    program = Path(sys.executable).with_name("deckplumb")
    began = time.perf_counter()
    run = subprocess.run(
        [str(program), *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        env=os.environ, check=False,
    )  # fmt: skip
    if run.returncode not in (0, 3):
        sys.exit(f"deckplumb {arguments[0]}: exit {run.returncode}\n{run.stderr.decode()}")
    return time.perf_counter() - began
