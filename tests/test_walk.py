"""The job in the terminal and by the commands: a whole walk closed on an arm made of vectors."""

import io
import json
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import ui.cli
from bench.arm import GEOMETRIES, RADIUS_SETS, align
from bench.deck import ARM_KINDS
from bench.deck_file import to_toml
from bench.example_decks import examples
from bench.job import OpenJob
from bench.logbook import Logbook
from tests.rig import Rig
from tests.test_verdict import apply
from ui import cli_arm, photo_steps
from ui.walk import HELP, Walk, _paths, _words
from vision.reading import BudgetPart, Component, Reading, Refusal

DECK = examples()["deck-a"]


@pytest.fixture(autouse=True)
def places(tmp_path, monkeypatch):
    monkeypatch.setenv("DECKPLUMB_DB", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("DECKPLUMB_PHOTOS", str(tmp_path / "photos"))


@pytest.fixture
def logbook(places):
    book = Logbook.open()
    yield book
    book.close()


def run(*words, capsys):
    try:
        code = ui.cli.main(list(words))
    except SystemExit as leaving:
        code = leaving.code
    out = capsys.readouterr()
    return code, out.out, out.err


def reading(quantity, value, unit, u, definitional=0.0, components=()):
    return Reading(
        quantity, value, unit, quantity, (BudgetPart("edge fit", u),), definitional, components
    )


class Bench:
    """A deck out of tolerance everywhere; "photographs" of it carry its true figures."""

    def __init__(self, deck):
        alignment = deck.alignment()
        length = deck.effective_length_mm
        distance = length if alignment is None else alignment.mounting_distance_mm
        axis = "arm-line" if deck.arm.bearing_axis == "unknown" else deck.arm.bearing_axis
        self.rig = Rig(length, distance, deck.offset_deg, axis, shank_lean=0.1)
        self.rig.slide_cartridge(-1.8)
        self.rig.turn_cartridge(-1.6)
        self.rig.roll_headshell(1.4)
        self.rig.raise_pivot(-6.5)
        self.tilt, self.speed, self.force, self.dial = (0.35, 40.0), 0.9, 1.0, 1.0

    def photograph(self, quantity):
        u = {"mm": 0.1, "deg": 0.05, "percent": 0.02}
        rig = self.rig
        if quantity == "platter-level":
            side = Component("direction of the high side", self.tilt[1], "deg", 2.0)
            return reading(quantity, self.tilt[0], "deg", 0.01, 0.0, (side,))
        value, unit = {
            "mounting-distance": (rig.distance, "mm"),
            "arm-level": (rig.tube_slope, "deg"),
            "overhang": (rig.overhang, "mm"),
            "cantilever": (rig.cantilever, "deg"),
            "azimuth": (rig.azimuth, "deg"),
            "rake": (rig.rake, "deg"),
            "speed": (self.speed, "percent"),
        }[quantity]
        return reading(quantity, value, unit, u[unit], 0.9 if quantity == "rake" else 0.0)

    def turn(self, turn):
        more = turn.amount if turn.direction in ("more", "faster") else -turn.amount
        if turn.adjuster == "feet":
            self.tilt = (0.02, 0.0)
        elif turn.adjuster in ("speed-trim", "pulley"):
            self.speed += more
        elif turn.adjuster == "counterweight":
            self.force += more
        elif turn.adjuster == "anti-skate":
            self.dial += more
        else:
            apply(self.rig, turn)


def walk_to_the_end(job, bench, said):
    """Read, turn as advised, read again, until nothing is left; accept what cannot be turned."""
    walk = Walk(job, said.append)
    first = {}
    for _ in range(80):
        state = walk.current()
        if state is None:
            return first
        step = state.step
        if step.kind == "confirm":
            walk.obey("done looked at")
            continue
        if step.kind == "typed":
            value = bench.force if step.quantity == "tracking-force" else bench.dial
            walk.obey(f"value {value:.3f} 0.02")
        else:
            walk._tell_result(job.read(step.key, bench.photograph(step.quantity)))
        state = job.state(step.key)
        first.setdefault(step.key, state.status)
        advice = job.advice(step.key)
        if state.done:
            continue
        if advice is not None and advice.turn is not None:
            bench.turn(advice.turn)
            walk.obey("turned")
        else:
            walk.obey("done nothing on this deck can change it")
    raise AssertionError("the walk does not end")


def test_a_whole_walk_from_out_of_tolerance_to_all_within(logbook, tmp_path):
    """Deck A has every adjuster and a maker's figure for its edge: all ends within."""
    bench, said = Bench(DECK), []
    job = OpenJob.start(logbook, DECK, "closed loop")
    first = walk_to_the_end(job, bench, said)
    spoiled = ("platter-level", "overhang", "cantilever", "azimuth", "rake", "speed", "arm-level")
    assert {first[key] for key in spoiled} == {"outside"}
    found = {s.step.key: s.status for s in job.states()}
    assert set(found.values()) <= {"within", "done", "set by rake"}, found
    assert abs(bench.rig.azimuth) < 0.5
    assert abs(bench.rig.rake - 92) < 1
    assert abs(bench.rig.cantilever) < 0.5
    assert abs(bench.rig.overhang - align(230, "lofgren-a", DECK.radii).overhang_mm) < 0.5
    turns = [e for e in job.entries() if e.kind == "turn"]
    assert 6 <= len(turns) <= 14
    text = "\n".join(said)
    assert "Raise the arm at the pivot" in text
    assert "again:" in text
    assert ui.cli.main(["report", job.uid[:8], "--out", str(tmp_path / "r.pdf")]) == 0
    assert (tmp_path / "r.pdf").read_bytes()[:5] == b"%PDF-"


@pytest.mark.parametrize("key", [k for k in examples() if k != "deck-a"])
def test_every_example_deck_can_be_walked_to_the_end(logbook, key):
    """Whatever a deck lacks, the walk ends: within, or accepted where nothing can be turned."""
    deck = examples()[key]
    bench = Bench(deck)
    job = OpenJob.start(logbook, deck)
    walk_to_the_end(job, bench, [])
    found = {s.step.key: s.status for s in job.states()}
    accepted = {k for k, v in found.items() if v == "accepted"}
    fixed = {
        "deck-b": {"platter-level"},  # no feet that turn
        "twelve-inch": {"platter-level", "cantilever", "speed"},  # plugged in, no trim
        "unipivot": {"platter-level", "speed"},
        "underhung": {"platter-level", "cantilever", "speed"},
        "linear": {"platter-level", "speed"},
    }
    assert accepted == fixed[key]
    assert abs(bench.rig.azimuth) < 0.5
    if deck.cartridge.tip != "conical":
        assert found["rake"] == "within as shown"
        assert abs(bench.rig.rake - 92) < 1


SCRIPT = """\
# a first visit
done looked at            # inspect
value 0.05 0.02           # platter level, read from an inclinometer
tell cap_height_mm 42.5
value 212.0 0.3
done
value 1.09 0.02           # mistyped
correct 1.90 0.02         # too light
turned
value 2.00 0.02
status
quit
"""


def test_a_script_is_obeyed_kept_and_taken_up_again(capsys, tmp_path):
    script = tmp_path / "visit.txt"
    script.write_text(SCRIPT, encoding="utf-8")
    code, out, _ = run("setup", "--deck", "deck-a", "--script", str(script), capsys=capsys)
    assert code == 3
    assert "Outside: 1.900 gf ± 0.020 gf misses 2 gf ± 0.05 gf" in out
    assert "Increase the tracking force by 0.100 gf ± 0.020 gf" in out
    assert "left to do: lock-platter" in out
    uid = out.split("job ")[1][:8]
    rest = tmp_path / "rest.txt"
    rest.write_text("done\nskip no level sheet\nstatus\n", encoding="utf-8")
    code, out, _ = run("setup", "--job", uid, "--script", str(rest), capsys=capsys)
    assert code == 3
    assert "arm-level          skipped" in out
    code, out, _ = run("log", "show", uid, capsys=capsys)
    assert code == 0
    assert "tracking-force 1.900 gf ± 0.020 gf, typed  outside" in out
    assert "tracking-force 1.090 gf ± 0.020 gf, typed  outside  (corrected later)" in out
    assert "left out: no level sheet" in out
    assert "told: cap_height_mm 42.5" in out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("dance", "got 'dance', allowed photo"),
        ("value two 0.1", "this step takes no figure"),
        ("photo /no/such.jpg", "takes no photo"),
        ("done\nphoto /no/such.jpg", "/no/such.jpg is not a file"),
        ("done\nvalue 40 0.1", "platter-level: got 40 deg, allowed 0 to 10 deg"),
        ("done\nvalue x 0.1", "got 'x', allowed a number"),
        ("done\nvalue 0.1", "give the number and its uncertainty"),
        ("done\ndone", "there is no reading to accept"),
        ("turned", "nothing was advised"),
        ("skip", "reason: got nothing"),
        ("go nowhere", "go: got 'nowhere'"),
        ("tell record_mm 99", "record thickness: got 99 mm, allowed 0.3 to 12 mm"),
        ("tell record_mm", "give a field and a number"),
        ("order rake", "order: got rake"),
        ("go check-again\ndone", "nothing is left to check again"),
        ("done 'unclosed", "No closing quotation"),
        ("done\ncorrect 1 0.1", "correct: nothing typed"),
    ],
)
def test_a_wrong_line_stops_the_script_and_says_where(capsys, tmp_path, line, words):
    script = tmp_path / "visit.txt"
    script.write_text(line, encoding="utf-8")
    code, _, err = run("setup", "--deck", "deck-a", "--script", str(script), capsys=capsys)
    assert code == 2
    assert err.startswith(f"line {line.count(chr(10)) + 1}: ")
    assert words in err


def test_typing_by_hand_goes_on_after_a_mistake(capsys, monkeypatch):
    lines = iter(["help", "dance", "done", "quit"])
    monkeypatch.setattr("builtins.input", lambda _prompt: next(lines))
    code, out, err = run("setup", "--deck", "deck-a", capsys=capsys)
    assert code == 0
    assert HELP.splitlines()[0].strip() in out
    assert "got 'dance'" in err
    assert "== Level the platter (platter-level) == to do" in out
    assert "! Mute the amplifier" in out
    assert "target: up to 0.1°" in out

    def closed(_prompt):
        raise EOFError

    monkeypatch.setattr("builtins.input", closed)
    assert run("setup", "--deck", "deck-a", capsys=capsys)[0] == 0


def picture(path, seed=3):
    rng = np.random.default_rng(seed)
    Image.fromarray(rng.integers(0, 255, (480, 640, 3), dtype=np.uint8)).save(path, quality=90)
    return path


def test_photos_are_read_kept_and_combined(logbook, tmp_path, monkeypatch):
    """Two photos of one setting: each is kept with its overlay, the combined one counts."""
    paths = [str(picture(tmp_path / f"{n}.jpg", n)) for n in range(2)]
    values = iter((91.6, 91.8))

    def measured(photo, quantity, options):
        assert options.record_mm == 1.8
        assert options.mirror_mm == 3.0
        return reading(quantity, next(values), "deg", 0.1)

    monkeypatch.setattr(photo_steps, "measure", measured)
    job = OpenJob.start(logbook, DECK)
    walk = Walk(job, lambda _line: None)
    walk.obey("go rake")
    walk.obey(f"photo {paths[0]} {paths[1]}")
    one, two, both = job.entries()
    assert one.photo_ref != two.photo_ref
    assert Image.open(io.BytesIO(logbook.picture(one.overlay_ref))).size == (640, 480)
    assert both.value == pytest.approx(91.7, abs=0.02)
    assert job.state("rake").entry == both


def test_a_photo_of_nothing_is_refused_and_kept(logbook, tmp_path, capsys):
    """The real reader on noise: a refusal in the log, no figure, no verdict."""
    path = picture(tmp_path / "noise.jpg")
    (tmp_path / "empty.jpg").write_bytes(b"")
    job = OpenJob.start(logbook, DECK)
    said = []
    walk = Walk(job, said.append)
    walk.obey("go azimuth")
    walk.obey(f"photo '{path}'")
    walk.obey(f"photo '{tmp_path / 'empty.jpg'}'")
    assert [e.kind for e in job.entries()] == ["refusal", "refusal"]
    assert job.entries()[0].photo_ref
    assert all("no reading:" in line for line in said)
    assert job.state("azimuth").status == "to do"
    assert isinstance(Refusal("azimuth", "a", "b"), Refusal)


# -- The commands ----------------------------------------------------------------------------------


def test_choices_of_the_command_line_are_those_of_the_bench():
    assert cli_arm.GEOMETRIES == GEOMETRIES
    assert set(cli_arm.RADII) == set(RADIUS_SETS)
    assert set(cli_arm.KINDS) <= set(ARM_KINDS)


def test_arm_prints_what_the_bench_computes(capsys, tmp_path):
    code, out, _ = run(
        "arm", "--effective-length", "230", "--geometry", "lofgren-a", "--radii", "iec",
        "--overhang-error", "1", "--json", "--plot", str(tmp_path / "p.svg"), capsys=capsys,
    )  # fmt: skip
    assert code == 0
    record = json.loads(out)
    want = align(230.0, "lofgren-a", RADIUS_SETS["iec"])
    assert record["null_points_mm"] == pytest.approx(want.null_points_mm)
    assert record["overhang_mm"] == pytest.approx(18.053, abs=0.001)
    assert [row["name"] for row in record["settings"]] == ["aligned", "as set"]
    assert "<svg" in (tmp_path / "p.svg").read_text(encoding="utf-8")
    code, out, _ = run("arm", "--mounting-distance", "212", capsys=capsys)
    assert "null points         66.00 mm and 120.89 mm" in out
    code, out, _ = run("arm", "--effective-length", "230", "--at-nulls=0.6,-0.2,0.2", capsys=capsys)
    assert "overhang error      1.8 mm ± 0.7 mm" in out
    code, out, _ = run("arm", "--kind", "linear", "--miss", "0.5", capsys=capsys)
    assert "Not applicable" in out
    code, out, _ = run("arm", "--kind", "underhung", "--effective-length", "235", capsys=capsys)
    assert "overhang            -12.88 mm" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--effective-length", "9"], "effective length: got 9 mm, allowed 120 to 450 mm (inches?"),
        (["--effective-length", "-230"], "got -230 mm, allowed 120"),
        (["--effective-length", "nan"], "got nan mm"),
        ([], "--effective-length or --mounting-distance: got neither"),
        (["--effective-length", "230", "--radii", "146,60"], "swapped"),
        (["--effective-length", "230", "--radii", "a,b"], "--radii: got 'a,b'"),
        (["--effective-length", "230", "--radii", "lp"], "radii: got 'lp', allowed iec"),
        (
            ["--effective-length", "230", "--overhang-error", "300"],
            "overhang error: got 300 mm, allowed -30",
        ),
        (["--effective-length", "230", "--velocity", "-1"], "velocity"),
        (["--effective-length", "230", "--miss", "1"], "linear arm only"),
        (["--effective-length", "230", "--plot", "x.bmp"], "plot format: got 'bmp'"),
        (["--effective-length", "230", "--geometry", "best"], "invalid choice"),
        (["--effective-length", "230", "--mounting-distance", "212"], "not allowed with"),
        (["--effective-length", "230", "--at-nulls", "1,2"], "--at-nulls: got '1,2'"),
        (["--kind", "underhung", "--mounting-distance", "240"], "needed for an under-hung arm"),
        (["--kind", "linear", "--miss", "100"], "miss: got 100"),
    ],
)
def test_arm_refuses_with_field_value_and_range(capsys, words, said):
    code, out, err = run("arm", *words, capsys=capsys)
    assert code == 2
    assert said in err
    assert out == ""


def test_log_and_report_commands(capsys, tmp_path):
    assert "No jobs yet" in run("log", capsys=capsys)[1]
    assert "holds no job" in run("report", "--out", "x.pdf", capsys=capsys)[2]
    deck = tmp_path / "my.toml"
    deck.write_text(to_toml(DECK), encoding="utf-8")
    code, key, _ = run("log", "add-deck", str(deck), capsys=capsys)
    assert (code, key.strip()[:7]) == (0, "deck-a-")
    assert run("log", "deck", key.strip(), capsys=capsys)[1] == deck.read_text(encoding="utf-8")
    listed = run("log", "decks", capsys=capsys)[1]
    assert f"{key.strip()}  revision 1" in listed
    assert "linear  example" in listed
    script = tmp_path / "s.txt"
    script.write_text("done\n", encoding="utf-8")
    page = tmp_path / "r.html"
    code, _, _ = run(
        "setup", "--deck", key.strip(), "--script", str(script), "--title", "visit",
        "--report", str(page), capsys=capsys,
    )  # fmt: skip
    assert code == 3
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert "Deck A  visit" in run("log", "list", capsys=capsys)[1]
    for name in ("log.csv", "log.json"):
        assert "1 entries" in run("log", "export", str(tmp_path / name), capsys=capsys)[1]
    assert run("log", "backup", str(tmp_path / "b.zip"), capsys=capsys)[0] == 0
    back = run(
        "log", "--db", str(tmp_path / "o.sqlite"), "restore", str(tmp_path / "b.zip"),
        capsys=capsys,
    )  # fmt: skip
    assert "1 jobs, 1 entries" in back[1]
    code, _, _ = run("report", "--out", str(tmp_path / "r.pdf"), capsys=capsys)
    assert code == 0


def test_the_same_deck_keeps_one_history(capsys, tmp_path):
    script = tmp_path / "s.txt"
    script.write_text("go speed\nvalue 0.2 0.02\n", encoding="utf-8")
    for _ in range(2):
        run("setup", "--deck", "deck-a", "--script", str(script), capsys=capsys)
    code, out, _ = run("log", "history", "deck-a", "speed", capsys=capsys)
    assert code == 0
    assert out.count("speed 0.200 % ± 0.020 %, typed  within") == 2
    assert "quantity: got 'pace'" in run("log", "history", "deck-a", "pace", capsys=capsys)[2]


def test_lines_are_split_as_people_type_them(tmp_path):
    assert _words(r"photo C:\pics\a.jpg  # don't mind") == ["photo", r"C:\pics\a.jpg"]
    assert _words("photo 'my pics/a#1.jpg'") == ["photo", "my pics/a#1.jpg"]
    assert _words("# only a comment") == []
    for name in ("b.jpg", "a.jpg"):
        (tmp_path / name).touch()
    assert _paths(str(tmp_path / "*.jpg")) == [str(tmp_path / n) for n in ("a.jpg", "b.jpg")]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["setup"], "--deck or --job: got neither"),
        (["setup", "--deck", "nothing"], "deck: got 'nothing'"),
        (["setup", "--deck", "/no/deck.toml"], "/no/deck.toml: No such file"),
        (["setup", "--job", "abc"], "job: got 'abc'"),
        (["setup", "--deck", "deck-a", "--script", "/no/script"], "/no/script: No such file"),
        (["log", "show", "abc"], "job: got 'abc'"),
        (["log", "export", "x.doc"], "allowed a name ending in .csv or .json"),
        (["log", "restore", "/no/b.zip"], "No such file"),
        (["log", "--db", "nosuch://x"], "unknown kind of database"),
        (["report"], "required: --out"),
    ],
)
def test_commands_refuse_in_plain_words(capsys, words, said):
    code, _, err = run(*words, capsys=capsys)
    assert code == 2
    assert said in err
    assert "Traceback" not in err


def test_standard_input_as_a_script(capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("done\nquit\n"))
    code, out, _ = run("setup", "--deck", "linear", "--script", "-", capsys=capsys)
    assert code == 3
    assert "left to do" in out
    assert Path(sys.executable).exists()
