"""Photos of a step, read and stored: the deck's facts go in, entries come out.

Each photo is stored with its own reading or refusal and its overlay. With several photos of one
setting the combined reading is stored last and is the one that counts.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from bench.deck import Deck
from bench.job import OpenJob, Result
from vision.measure import Options, measure, measure_file
from vision.photo import PhotoError, load_photo
from vision.reading import Outcome, Refusal

OVERLAY_SIDE = 1600


def options_for(job: OpenJob) -> Options:
    """What the deck and the facts told say to the photo reader."""
    deck: Deck = job.deck
    tip = {"unknown": "", "long-edge": "line"}.get(deck.cartridge.tip, deck.cartridge.tip)
    length = None if deck.arm.kind == "linear" else deck.effective_length_mm
    return Options(
        mirror_mm=deck.mirror_mm,
        record_mm=deck.record_mm,
        effective_length_mm=length,
        tip=tip,
        given=job.given(),
    )


def read_photos(job: OpenJob, step_key: str, quantity: str, paths: list[str]) -> Iterator[Result]:
    """Read photos of one setting; yields a result a photo, then the combined one."""
    options = options_for(job)
    outcomes: list[Outcome] = []
    for path in paths:
        outcome, photo, overlay = _one(path, quantity, options)
        outcomes.append(outcome)
        yield job.read(step_key, outcome, photo, overlay)
    if len(paths) > 1:
        from vision.combine import combine_photos

        yield job.read(step_key, combine_photos(quantity, outcomes, paths, options))


def _one(path: str, quantity: str, options: Options) -> tuple[Outcome, bytes | None, bytes | None]:
    if quantity == "speed":
        outcome = measure_file(path, quantity, options)
        return replace(outcome, photo=Path(path).name), None, None
    try:
        photo = load_photo(path)
    except PhotoError as problem:
        name = Path(path).name
        return (
            Refusal(quantity, problem.reason, problem.advice, photo=name, unreadable=True),
            None,
            None,
        )
    from vision.overlay import draw_overlay

    outcome = measure(photo, quantity, options)
    out = io.BytesIO()
    draw_overlay(photo, outcome, max_side=OVERLAY_SIDE).save(out, "JPEG", quality=88)
    return outcome, Path(path).read_bytes(), out.getvalue()
