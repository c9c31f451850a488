"""Every page run by Streamlit's own AppTest, without a browser: words, state, and the logbook."""

import io
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image, ImageDraw
from streamlit.testing.v1 import AppTest, app_test

from bench.disturb import DIRECTIONS, MOVES, Turn
from bench.example_decks import examples
from ui import state
from ui.guide import GUIDES, START_LINES, lines_to_drag
from ui.inbox import inbox
from ui.turn_drawing import turn_svg, turn_words
from ui.views import PAGES
from vision.reading import BudgetPart, Component, Reading, Refusal, Segment

APP = Path(__file__).parent.parent / "ui" / "app.py"
FILES = [file for members in PAGES.values() for file, *_ in members]
SECONDS = 60


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("DECKPLUMB_DATA", str(tmp_path))
    monkeypatch.delenv("DECKPLUMB_DB", raising=False)
    monkeypatch.delenv("DECKPLUMB_PHOTOS", raising=False)
    state._outcomes.clear()
    yield
    state.logbook().close()
    state._logbook.cache_clear()


@pytest.fixture(scope="session", autouse=True)
def streamlit_folder():
    yield
    app_test.TMP_DIR.cleanup()


def picture() -> bytes:
    """A plain photo with an edge in it; what it shows does not matter here."""
    image = Image.new("RGB", (800, 600), "white")
    ImageDraw.Draw(image).rectangle((200, 150, 600, 300), fill=(40, 40, 60))
    out = io.BytesIO()
    image.save(out, "JPEG")
    return out.getvalue()


def reading(quantity: str = "azimuth", value: float = 1.4, u: float = 0.05) -> Reading:
    return Reading(
        quantity,
        value,
        "deg",
        "roll of the body",
        (BudgetPart("edge fit", u, "two edges"), BudgetPart("camera direction", u / 2)),
        lines=(Segment("lower edge", "edge", 200, 300, 600, 300),),
        components=(
            Component("camera roll", 0.4, "deg", 0.1),
            Component("dropped frames", 0.0, "percent", 0.0),
            Component("turning", 33.4, "rpm", 0.01),
        ),
        flags=("soft_focus",),
    )


def open_page(file: str, **query: str) -> AppTest:
    app = AppTest.from_file(str(APP), default_timeout=SECONDS)
    app.switch_page(f"views/{file}.py")
    for key, value in query.items():
        app.query_params[key] = value
    return well(app.run())


def well(app: AppTest) -> AppTest:
    assert not app.exception, [e.value for e in app.exception]
    return app


def words(app: AppTest) -> str:
    kinds = ("title", "header", "subheader", "markdown", "caption", "error", "warning", "info")
    return "\n".join(str(e.value) for kind in kinds for e in getattr(app, kind))


def button(app: AppTest, label: str):
    return next(b for b in app.button if label in b.label)


@pytest.fixture
def practice():
    return state.start_job(next(iter(examples().values())), title=state.PRACTICE)


@pytest.mark.parametrize("file", FILES)
def test_every_page_opens_with_nothing_described_yet(file):
    assert open_page(file).title


@pytest.mark.parametrize("file", FILES)
def test_every_page_opens_with_a_deck_at_hand(file, practice):
    assert open_page(file).title


@pytest.mark.parametrize("name", list(examples()))
@pytest.mark.parametrize("file", ["deck", "walk", "geometry", "sheets"])
def test_every_kind_of_arm_has_its_pages(file, name):
    state.start_job(examples()[name])
    open_page(file)


@pytest.mark.parametrize("quantity", list(GUIDES))
def test_every_quantity_has_its_guide_with_cautions_and_a_drawing(quantity):
    app = open_page("read", q=quantity)
    said = words(app)
    guide = GUIDES[quantity]
    assert guide.lead in said
    assert all(line in said for line in guide.how)
    assert all(line in said for line in guide.cautions)
    assert guide.place_svg().startswith("<svg") and guide.shows_svg().count("var(--ink)") > 1


@pytest.mark.parametrize("adjuster", list(MOVES))
@pytest.mark.parametrize("direction", DIRECTIONS)
def test_every_turn_has_a_drawing_in_signs_and_words(adjuster, direction):
    turn = Turn(adjuster, adjuster, direction, 1.0, 0.1, "mm", "the front")
    root = ElementTree.fromstring(turn_svg(turn))
    arrow = root.findall("{http://www.w3.org/2000/svg}path")[-1].get("d")
    assert arrow.startswith("M")
    assert direction in turn_words(turn)
    # SVG 2, 9.3.8: sweep flag 1 turns in the positive-angle direction, clockwise on a screen.
    sweep = re.search(r"a72 72 0 1 (\d)", arrow)
    assert (sweep.group(1) if sweep else None) == {"clockwise": "1", "counter-clockwise": "0"}.get(
        direction
    )


def test_an_unknown_quantity_or_photo_in_the_address_does_no_harm():
    app = open_page("read", q="nonsense", p="zz," + "a" * 20)
    assert app.selectbox[0].value == "rake"


def test_the_practice_deck_is_one_tap_away():
    app = open_page("deck")
    well(button(app, "Practise on a sample").click().run())
    assert "practice deck" in words(app)
    assert state.is_practice(state.job())


def test_a_reading_is_in_the_log_as_soon_as_it_is_shown(monkeypatch, practice):
    monkeypatch.setattr(state, "measure", lambda *_: reading())
    key = inbox().add(picture(), "a.jpg").id
    app = open_page("read", q="azimuth", p=key)
    assert "1.4" in words(app) and "outside" in words(app)
    assert "What to do." in words(app)
    assert "Camera roll **0.40° ± 0.20°**" in words(app)
    assert "Turning **33.400 rpm ± 0.020 rpm**" in words(app)
    assert "Dropped frames **0 %**" in words(app)
    assert "Written into the logbook" in words(app)
    entries = [e for e in practice.entries() if e.kind == "reading"]
    assert [e.quantity for e in entries] == ["azimuth"]
    assert entries[0].photo_ref and entries[0].overlay_ref
    well(app.run())
    open_page("read", q="azimuth", p=key)
    assert len([e for e in practice.entries() if e.kind == "reading"]) == 1


def test_a_first_photo_without_a_deck_starts_a_job_on_a_typical_one(monkeypatch):
    monkeypatch.setattr(state, "measure", lambda *_: reading(value=0.1))
    key = inbox().add(picture(), "a.jpg").id
    app = open_page("read", q="azimuth", p=key)
    assert "within" in words(app)
    assert state.job().deck.name == "My deck"


def test_a_sample_photo_stays_out_of_the_log_of_a_real_deck(monkeypatch):
    monkeypatch.setattr(state, "measure", lambda *_: reading())
    job = state.start_job(next(iter(examples().values())))
    key = inbox().add(picture(), "a.jpg", sample=True).id
    app = open_page("read", q="azimuth", p=key)
    assert "not logged" in words(app)
    assert [e for e in job.entries() if e.kind == "reading"] == []


def test_a_refusal_says_why_and_what_to_change(monkeypatch, practice):
    refusal = Refusal("azimuth", "The body spans 14 px.", "Move closer until it spans 80.")
    monkeypatch.setattr(state, "measure", lambda *_: refusal)
    key = inbox().add(picture(), "a.jpg").id
    said = words(open_page("read", q="azimuth", p=key))
    assert "No reading" in said and "spans 14 px" in said and "Move closer" in said
    assert [e.kind for e in practice.entries()] == ["refusal"]


def test_a_dragged_line_changes_the_value_and_is_kept_on_request(monkeypatch, practice):
    def fake(_photo, _quantity, options):
        return reading(value=2.5 if options.marks else 1.4)

    monkeypatch.setattr(state, "measure", fake)
    monkeypatch.setattr(
        "ui.reading_view.dragged", lambda *_: {"lower edge": (0.25, 0.5, 0.75, 0.5)}
    )
    key = inbox().add(picture(), "a.jpg").id
    app = open_page("read", q="azimuth", p=key)
    assert "2.5" in words(app) and "still has the first reading" in words(app)
    well(button(app, "Keep this correction").click().run())
    rows = [e for e in practice.entries() if e.kind == "reading"]
    assert [(e.source, round(e.value, 1)) for e in rows] == [("photo", 1.4), ("marks", 2.5)]
    assert rows[1].corrects == rows[0].uid


def test_several_photos_show_their_scatter_and_one_value(monkeypatch, practice):
    values = iter([1.40, 1.44, 1.42])
    monkeypatch.setattr(state, "measure", lambda *_: reading(value=next(values)))
    keys = []
    for shade in range(3):
        out = io.BytesIO()
        Image.new("RGB", (640, 480), (80 * shade, 0, 0)).save(out, "JPEG")
        keys.append(inbox().add(out.getvalue(), f"{shade}.jpg").id)
    app = open_page("read", q="azimuth", p=",".join(keys))
    said = words(app)
    assert "All photos of this setting" in said and "Photo 3" in said and "Together" in said
    before = len(practice.entries())
    well(button(app, "Keep the combined value").click().run())
    assert len(practice.entries()) == before + 1
    well(next(b for b in app.button if b.label == "Drop").click().run())
    assert "Photo 3" not in words(app)


def test_turning_what_the_advice_says_asks_for_what_it_disturbs(monkeypatch, practice):
    monkeypatch.setattr(state, "measure", lambda *_: reading())
    key = inbox().add(picture(), "a.jpg").id
    app = open_page("read", q="azimuth", p=key)
    well(button(app, "I have turned it").click().run())
    assert [e.kind for e in practice.entries()][-1] == "turn"
    azimuth = next(s for s in practice.states() if s.step.key == "azimuth")
    assert azimuth.status == "check again"


def test_a_plain_upload_is_read_too(monkeypatch, practice):
    monkeypatch.setattr(state, "measure", lambda *_: reading())
    app = open_page("read", q="azimuth")
    app.file_uploader[0].set_value(("a.jpg", picture(), "image/jpeg"))
    well(app.run())
    assert "1.4" in words(app)


@pytest.mark.parametrize("data", [b"", b"MZ not a photo at all"])
def test_a_plain_upload_of_something_else_is_refused_in_words(data):
    app = open_page("read", q="azimuth")
    app.file_uploader[0].set_value(("a.jpg", data, "image/jpeg"))
    well(app.run())
    assert any("a.jpg" in e.value for e in app.error)


def test_a_step_is_confirmed_skipped_and_typed(practice):
    app = open_page("walk", s="inspect")
    well(button(app, "Done").click().run())
    assert practice.states()[0].status == "done"
    app = open_page("walk", s="first-force")
    app.number_input[0].set_value(2.01)
    well(button(app, "Write it down").click().run())
    assert next(s for s in practice.states() if s.step.key == "first-force").status == "within"
    app = open_page("walk", s="speed")
    well(button(app, "Leave it out").click().run())
    assert next(s for s in practice.states() if s.step.key == "speed").status == "skipped"


def test_a_step_leads_to_its_photo_and_the_reading_counts_for_the_step(monkeypatch, practice):
    monkeypatch.setattr(state, "measure", lambda *_: reading(value=0.02))
    app = open_page("walk", s="azimuth")
    well(button(app, "Take the photo").click().run())
    assert app.title[0].value == "Take and read"
    assert app.selectbox[0].value == "azimuth"
    app = open_page("read", q="azimuth", s="azimuth")
    app.file_uploader[0].set_value(("a.jpg", picture(), "image/jpeg"))
    well(app.run())
    assert next(s for s in practice.states() if s.step.key == "azimuth").status == "within"
    assert "Go on with the walk" in [link.label for link in app.get("page_link")]


def test_the_side_of_the_pivot_can_be_told(monkeypatch, practice):
    told = []

    def fake(_photo, quantity, options):
        told.append(options.pivot)
        return reading(quantity, value=92.0)

    monkeypatch.setattr(state, "measure", fake)
    app = open_page("read", q="rake", p=inbox().add(picture(), "a.jpg").id)
    side = next(g for g in app.button_group if "pivot" in g.label)
    side.set_value(["left"]) if isinstance(side.value, list) else side.set_value("left")
    well(app.run())
    assert told == ["auto", "left"]


def test_the_order_of_steps_can_be_changed_but_not_against_what_must_come_first(practice):
    app = open_page("walk")
    app.selectbox(key="moved").set_value("rake").run()
    app.selectbox(key="before").set_value("arm-level").run()
    well(button(app, "Move it").click().run())
    keys = [s.step.key for s in practice.states()]
    assert keys.index("rake") == keys.index("arm-level") - 1
    app.selectbox(key="moved").set_value("rake").run()
    app.selectbox(key="before").set_value("inspect").run()
    well(button(app, "Move it").click().run())
    assert any("allowed only after" in e.value for e in app.error)
    assert [s.step.key for s in practice.states()] == keys


def test_an_impossible_figure_is_refused_by_name(practice):
    app = open_page("walk", s="first-force")
    app.number_input[0].set_value(200.0)
    well(button(app, "Write it down").click().run())
    assert any("tracking-force: got 200" in e.value for e in app.error)
    assert practice.entries() == []


def test_the_log_shows_what_was_typed_and_offers_the_report(practice):
    practice.typed("first-force", "tracking-force", 2.0, "gf", 0.02)
    practice.typed("first-force", "tracking-force", 2.4, "gf", 0.02)
    app = open_page("log")
    said = words(app)
    assert "Before and after" in said and "2.000" in said and "2.400" in said
    assert state.report(practice, "pdf").startswith(b"%PDF")
    assert b"<html" in state.report(practice, "html").lower()


def test_two_jobs_of_one_name_stay_apart():
    deck = next(iter(examples().values()))
    first, second = state.start_job(deck), state.start_job(deck)
    second.confirm("inspect")
    app = open_page("log")
    assert state.job().uid == second.uid
    assert len(set(app.selectbox[0].options)) == 2
    well(app.selectbox[0].set_value(first.uid).run())
    assert state.desk()["job"] == first.uid


def test_a_described_deck_is_stored_whole_or_not_at_all():
    app = open_page("deck")
    length = next(n for n in app.number_input if n.label == "Effective length (mm)")
    length.set_value(9.0)
    well(button(app, "Save and use this deck").click().run())
    assert any("effective length" in e.value and "inches" in e.value for e in app.error)
    assert state.job() is None
    length = next(n for n in app.number_input if n.label == "Effective length (mm)")
    length.set_value(239.3)
    distance = next(n for n in app.number_input if n.label == "Mounting distance (mm)")
    distance.set_value(222.0)
    well(button(app, "Save and use this deck").click().run())
    assert state.job().deck.arm.effective_length_mm == 239.3


def test_the_whole_walk_of_the_practice_deck_can_be_done_in_the_app(practice):
    for _ in range(60):
        ahead = practice.next()
        if ahead is None:
            break
        app = open_page("walk")
        assert app.header[0].value == ahead.step.title
        if any(b.label == "Done" for b in app.button):
            well(button(app, "Done").click().run())
        else:
            quantity = ahead.step.accepts[-1]
            figure = next(n for n in app.number_input if n.form_id)
            figure.set_value(practice.deck.target(quantity).aim)
            spread = [n for n in app.number_input if n.form_id][1]
            spread.set_value(practice.deck.target(quantity).half_width / 4)
            well(button(app, "Write it down").click().run())
    assert practice.next() is None
    app = open_page("walk")
    assert any("Every step is done" in e.value for e in app.success)


def test_geometry_agrees_with_the_published_nulls():
    """Löfgren A for 60.325 and 146.05 mm: 65.998 and 120.891 mm (Löfgren 1938, Baerwald 1941)."""
    assert "66.00 and 120.89 mm" in words(open_page("geometry"))


def test_samples_are_readable_pictures():
    for quantity in ("rake", "cantilever", "azimuth"):
        names = state.samples(quantity)
        assert names, f"no sample of {quantity}"
        assert state.add_sample(next(iter(names))).kind == "photo"


def test_lines_of_a_reflection_start_where_it_was_found_and_are_offered_where_not():
    found = {
        "left edge": (0.40, 0.6, 0.41, 0.4),
        "reflected edge 1": (0.52, 0.8, 0.53, 0.7),
        "reflected edge 2": (0.45, 0.8, 0.46, 0.7),
    }
    lines = lines_to_drag("cantilever", found)
    assert lines["left edge"] is None  # where it was found
    assert lines["reflected left edge"] == list(found["reflected edge 2"])
    assert lines["reflected right edge"] == list(found["reflected edge 1"])
    bare = lines_to_drag("cantilever", {})
    assert set(bare) == set(START_LINES["cantilever"])
    assert all(bare.values())
