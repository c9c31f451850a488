"""The whole promise: photographs out of tolerance, advised turns, photographs within, a report.

An invented deck (an arm made of vectors, `tests/rig.py`) is photographed by the quick renderer;
rake, azimuth and cantilever come from those pictures through the real readers, everything else is
typed. The advised turn is applied to the arm's vectors, never to the angle it should give, and the
deck is photographed again, until every step is within.
"""

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from bench.example_decks import examples
from bench.job import OpenJob
from bench.logbook import Logbook
from bench.report import report_html, report_pdf
from tests.scenes.raster import draw_azimuth, draw_cantilever, draw_rake
from tests.test_walk import Bench, walk_to_the_end
from ui.photo_steps import options_for
from vision.measure import measure_file
from vision.overlay import draw_overlay
from vision.photo import load_photo
from vision.reading import Reading

DECK = examples()["deck-a"]


class PhotographedBench(Bench):
    """A `Bench` whose three angles are read from rendered photographs."""

    def __init__(self, deck, job):
        super().__init__(deck)
        self.job = job
        self.rng = np.random.default_rng(2026)
        self.shots = []

    def photograph(self, quantity):
        if quantity not in ("rake", "azimuth", "cantilever"):
            return super().photograph(quantity)
        if quantity == "rake":
            # A mirror thicker than the record lifts the tip: the arm falls back by lift / length.
            lift_mm = DECK.mirror_mm - DECK.record_mm
            on_mirror = self.rig.rake - np.degrees(lift_mm / self.rig.length)
            drawing = draw_rake(self.rng, rake_deg=on_mirror, off_axis_deg=2.0)
        elif quantity == "azimuth":
            drawing = draw_azimuth(self.rng, azimuth_deg=self.rig.azimuth, off_axis_deg=2.0)
        else:
            drawing = draw_cantilever(
                self.rng, self.rig.cantilever, off_axis_deg=0.0, elevation_deg=48.0
            )
        data = jpeg(*drawing)
        outcome = measure_file(data, quantity, options_for(self.job), name=f"{quantity}.jpg")
        assert isinstance(outcome, Reading), outcome
        self.shots.append((quantity, outcome, getattr(self.rig, quantity), data))
        return outcome


def jpeg(rgb, truth, focal_px):
    """The drawing as a phone would write it, with its 35 mm equivalent (CIPA DCG-001)."""
    exif = Image.Exif()
    diagonal = float(np.hypot(rgb.shape[0], rgb.shape[1]))
    exif.get_ifd(0x8769)[0xA405] = round(focal_px * 43.27 / diagonal)
    held = io.BytesIO()
    Image.fromarray(rgb).save(held, "JPEG", quality=93, exif=exif)
    return held.getvalue()


@pytest.fixture
def logbook(tmp_path):
    book = Logbook.open(str(tmp_path / "log.sqlite"), str(tmp_path / "photos"))
    yield book
    book.close()


def test_photographs_advice_turns_photographs_within(logbook, tmp_path):
    job = OpenJob.start(logbook, DECK, "photographed loop")
    bench = PhotographedBench(DECK, job)
    first = walk_to_the_end(job, bench, [])
    assert {first[key] for key in ("azimuth", "rake", "cantilever")} == {"outside"}
    found = {s.step.key: s.status for s in job.states()}
    assert set(found.values()) <= {"within", "within as shown", "done", "set by rake"}, found
    # The arm itself, not what the readers said of it, is now within the default tolerances.
    assert abs(bench.rig.azimuth) < 0.5
    assert abs(bench.rig.rake - 92) < 1
    assert abs(bench.rig.cantilever) < 0.5
    assert len(bench.shots) >= 6
    inside = [abs(o.value - t) <= o.expanded_uncertainty for _, o, t, _ in bench.shots]
    assert np.mean(inside) >= 0.8
    pdf, html = report_pdf(job), report_html(job)
    assert pdf[:5] == b"%PDF-"
    assert "Deck A" in html
    out = os.environ.get("DECKPLUMB_TEST_OUT")
    if out:  # kept for a person to look at
        folder = Path(out)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "closed-loop.pdf").write_bytes(pdf)
        for n, (quantity, outcome, _, data) in enumerate(bench.shots):
            draw_overlay(load_photo(data), outcome).save(folder / f"loop-{n}-{quantity}.jpg")


def test_help_is_quick_to_reach():
    """`--help` needs none of the heavy libraries (the figure itself: python -m tests.figures)."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "ui.cli", "--help"],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parent.parent,
    )
    assert done.returncode == 0
    assert "scipy" not in done.stderr
    assert "deckplumb" in done.stdout
