"""The report: what it says, that it opens, that nothing runs over, and what it never does."""

import io
import re
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from bench.example_decks import examples
from bench.job import OpenJob
from bench.logbook import Logbook
from bench.report import report_html, report_pdf, write_report
from bench.report_data import CAUTIONS, NAMES, SIGNS, gather
from bench.steps import STATUSES
from bench.targets import UNIT_OF
from vision.reading import BudgetPart, Component, Reading, Refusal

DECKS = examples()


@pytest.fixture
def logbook(tmp_path):
    book = Logbook.open(str(tmp_path / "log.sqlite"), str(tmp_path / "photos"))
    yield book
    book.close()


def reading(quantity, value, u, definitional=0.0, components=()):
    parts = (BudgetPart("edge fit", u), BudgetPart("surface reference", u / 2))
    return Reading(
        quantity, value, UNIT_OF[quantity], f"measured {quantity}", parts, definitional, components,
        ("soft_focus",), photo="x.jpg", sha256="c" * 64,
    )  # fmt: skip


def picture(colour):
    out = io.BytesIO()
    Image.new("RGB", (320, 240), colour).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def job(logbook):
    job = OpenJob.start(logbook, DECKS["deck-a"], "after <a new> stylus & mat", "Ümläut Ωwner")
    job.confirm("inspect")
    direction = (Component("direction of the high side", 35.0, "deg", 3.0),)
    level = job.read("platter-level", reading("platter-level", 0.4, 0.02, components=direction))
    job.turned(level.advice.turn, "platter-level")
    job.read("platter-level", reading("platter-level", 0.03, 0.02), picture("teal"))
    job.typed("mounting-distance", "mounting-distance", 212.0, "mm", 0.3)
    job.read("rake", Refusal("rake", "The stylus spans 14 px.", "Move closer."))
    rake = job.read("rake", reading("rake", 90.0, 0.1, 0.9), picture("red"), picture("orange"))
    job.turned(rake.advice.turn, "rake")
    job.read("rake", reading("rake", 92.0, 0.1, 0.9), picture("red"), picture("green"))
    job.skip("speed", "no disc printed yet")
    return job


def pdf_pages(data):
    document = pypdfium2.PdfDocument(data)
    texts = [page.get_textpage().get_text_range() for page in document]
    pictures = [page.render(scale=1).to_numpy() for page in document]
    document.close()
    return texts, pictures


def flat(text):
    return re.sub(r"\s+", " ", text)


def test_summary_page_of_the_pdf_says_what_was_found_and_done(job):
    """Read back by PDFium: figures with uncertainty, target with origin, before, after, turns."""
    first = flat(pdf_pages(report_pdf(job))[0][0])
    for words in (
        "Deck A", "after <a new> stylus & mat", "Ümläut Ωwner",
        "0.40° ± 0.05°", "0.03° ± 0.05°", "up to 0.1°", "common practice, no source",
        "92° ± 1°", "maker's sheet", "90.00° ± 0.23°", "92.00° ± 0.23°", "within", "to do",
        "What was turned", "Raise the arm at the pivot",
    ):  # fmt: skip
        assert words in first, words


def test_the_rest_of_the_pdf(job):
    texts, pictures = pdf_pages(report_pdf(job))
    rest = flat(" ".join(texts[1:]))
    for words in (
        "edge fit 0.1°",
        "measured rake",
        "no disc printed yet",
        "12",
        "Null points",
        "The edges are soft",
        "photo cccccccc",
        "Skating force, estimated",
    ):
        assert words in rest, words
    for caution in CAUTIONS:
        assert caution[:40] in rest
    assert "manual is right" in rest
    assert "qualified service" in rest
    for page in pictures:
        assert page.shape[0] == pytest.approx(842, abs=1)  # ISO 216 A4 at 72 dots an inch
        edge = np.concatenate([page[:, :40].ravel(), page[:, -40:].ravel()])
        assert edge.min() > 240, "something runs into the margin"
    green = [(np.abs(page.astype(int) - (0, 128, 0)).sum(axis=2) < 60).sum() for page in pictures]
    assert max(green) > 1000, "the overlay is not in the report"


class Checker(HTMLParser):
    void = frozenset({"meta", "img", "br"})

    def __init__(self):
        super().__init__()
        self.open, self.sources, self.text, self.tags = [], [], [], set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.sources += [v for k, v in attrs if k in ("src", "href")]
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_html_is_whole_and_asks_nobody(job):
    page = report_html(job)
    found = Checker()
    found.feed(page)
    assert found.open == []
    assert "script" not in found.tags
    assert found.sources
    assert all(source.startswith("data:image/") for source in found.sources)
    text = flat(" ".join(found.text))
    assert "after <a new> stylus & mat" in text
    assert "92.00° ± 0.23°" in text
    assert "no disc printed yet" in text


def test_summary_counts_and_names_what_is_open(job):
    summary = gather(job).summary
    assert summary.startswith("3 of 3 measured settings")
    assert "steps still to do" in summary
    job.read("azimuth", reading("azimuth", 3.0, 0.05))
    data = gather(job)
    assert "Outside: azimuth." in data.summary
    assert ("Azimuth", "counter-clockwise") in {
        (a, b.split(",")[0].split()[-1]) for a, b in data.to_turn
    }


def test_before_and_after_are_the_first_and_the_last(job):
    rows = {row.name: row for row in gather(job).rows}
    assert rows["Rake"].before.startswith("90.00°")
    assert rows["Rake"].after.startswith("92.00°")
    assert rows["Spindle to pivot"].before == ""
    assert rows["Speed"].status == "skipped"


def test_a_figure_that_was_moved_or_accepted_says_so(job):
    """Raising the pivot by h tilts the arm by asin(h/230): no stale arm level is shown bare."""
    job.read("arm-level", reading("arm-level", 0.1, 0.04))
    rake = job.read("rake", reading("rake", 90.6, 0.1))
    job.turned(rake.advice.turn, "rake")
    job.read("azimuth", reading("azimuth", 3.0, 0.05))
    job.confirm("azimuth", "good enough")
    rows = {row.name: row for row in gather(job).rows}
    moved = np.degrees(np.arcsin(rake.advice.turn.amount / 230.0))
    assert rows["Arm level"].status == "set by rake"
    assert rows["Arm level"].after == f"0.10° ± 0.09°, moved {moved:+.2g}° since"
    assert rows["Rake"].after.endswith("since")
    assert rows["Azimuth"].status == "accepted, outside"


def test_mistakes_of_the_plot_follow_the_readings(job):
    """Base 1 mm too far and overhang 1 mm short: the effective length is right."""
    job.typed("mounting-distance", "mounting-distance", 212.95, "mm", 0.3)
    overhang = job.deck.target("overhang").aim
    job.read("overhang", reading("overhang", overhang - 1.0, 0.05))
    mistakes = gather(job).mistakes
    assert mistakes["mounting_error_mm"] == pytest.approx(1.0, abs=0.01)
    assert mistakes["overhang_error_mm"] == pytest.approx(0.0, abs=0.01)


def test_a_figure_beyond_any_arm_leaves_the_plot_plain(job):
    job.typed("overhang", "overhang", -39.0, "mm", 0.5)
    assert gather(job).mistakes == {}
    assert "-39.0 mm" in flat(pdf_pages(report_pdf(job))[0][0])


@pytest.mark.parametrize("key", DECKS)
def test_every_deck_gets_a_report_even_of_an_empty_job(logbook, key):
    job = OpenJob.start(logbook, DECKS[key])
    texts, _ = pdf_pages(report_pdf(job))
    assert DECKS[key].name in texts[0]
    assert DECKS[key].name in report_html(job)


def test_names_and_signs_cover_everything():
    assert set(UNIT_OF) - set(NAMES) == {"resonance"}
    assert set(SIGNS) == set(STATUSES)


def test_a_lost_picture_does_not_stop_the_report(job, tmp_path):
    for path in (tmp_path / "photos").rglob("*.jpg"):
        path.unlink()
    assert len(pdf_pages(report_pdf(job))[0]) >= 2


def test_files_by_their_ending(job, tmp_path):
    write_report(job, tmp_path / "r.pdf")
    write_report(job, tmp_path / "r.html")
    assert (tmp_path / "r.pdf").read_bytes()[:5] == b"%PDF-"
    with pytest.raises(ValueError, match=r"\.pdf or \.html"):
        write_report(job, tmp_path / "r.doc")
    assert report_pdf(job) == report_pdf(job)
