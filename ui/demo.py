"""``deckplumb demo``: read every sample photo, write overlays, print reading, U and truth."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from vision.measure import measure
from vision.overlay import draw_overlay
from vision.photo import load_photo
from vision.reading import Reading

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def run_demo(out: Path, samples: Path = SAMPLES) -> int:
    """Read the samples and print one row each; returns an exit code.

    Parameters
    ----------
    out : Path
        Folder for the overlays; made if missing.
    samples : Path
        Folder with photos and ``truth.json``.
    """
    listing = samples / "truth.json"
    if not listing.is_file():
        print(
            f"{listing} is missing: run the demo from a full copy of the project.", file=sys.stderr
        )
        return 2
    truths = json.loads(listing.read_text(encoding="utf-8"))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        print(f"--out: {out} cannot be made ({error.strerror})", file=sys.stderr)
        return 2
    print("Rendered sample photographs with known angles. U is the expanded uncertainty, k = 2.")
    print(f"{'photo':34s} {'quantity':11s} {'reading ± U':>18s} {'truth':>8s}  within U")
    for done, (name, truth) in enumerate(sorted(truths.items()), start=1):
        _show_progress(done, len(truths))
        photo = load_photo(samples / name)
        outcome = measure(photo, truth["quantity"])
        draw_overlay(photo, outcome).save(out / f"{Path(name).stem}-overlay.jpg", quality=88)
        known = truth.get("truth_deg")
        shown = f"{known:7.2f}°" if known is not None else "   none "
        if isinstance(outcome, Reading):
            verdict = "no truth: should have refused"
            if known is not None:
                miss = abs(outcome.value - known)
                verdict = "yes" if miss <= outcome.expanded_uncertainty else f"NO (off {miss:.2f}°)"
            print(f"{name:34s} {outcome.quantity:11s} {outcome.text():>18s} {shown}  {verdict}")
        else:
            print(f"{name:34s} {outcome.quantity:11s} {'refused':>18s} {shown}  -")
            print(f"{'':34s} {outcome.reason} {outcome.advice}")
    print(f"Overlays: {out.resolve()}")
    return 0


def _show_progress(done: int, total: int) -> None:
    if sys.stderr.isatty():
        bar = "#" * round(20 * done / total)
        print(f"\r[{bar:20s}] {done}/{total} ", end="", file=sys.stderr, flush=True)
        if done == total:
            print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
