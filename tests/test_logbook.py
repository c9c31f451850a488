"""The logbook: whole or nothing, append-only, killed, full, shared, exported, backed up."""

import csv
import io
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from PIL import Image

from bench import schema
from bench.backup import backup, restore
from bench.entries import standing
from bench.example_decks import examples
from bench.export import export
from bench.job import OpenJob
from bench.logbook import Logbook
from bench.private import without_location
from bench.problems import LogbookError
from bench.store import database_url, open_engine, writing
from vision.reading import BudgetPart, Reading, Refusal, software_version

DECKS = examples()
ROOT = Path(__file__).parent.parent


@pytest.fixture
def logbook(tmp_path):
    book = Logbook.open(str(tmp_path / "log.sqlite"), str(tmp_path / "photos"))
    yield book
    book.close()


@pytest.fixture
def job(logbook):
    return OpenJob.start(logbook, DECKS["deck-a"], "first set-up", "invented owner")


def rake(value=92.0, **fields):
    budget = (BudgetPart("edge fit", 0.05), BudgetPart("surface reference", 0.08))
    return Reading(
        "rake", value, "deg", "axis of the shank", budget, 0.9, sha256="a" * 64, **fields
    )


def jpeg(gps=True, size=(64, 48), make="invented", kind="JPEG"):
    rng = np.random.default_rng(7)
    picture = Image.fromarray(rng.integers(0, 255, (*size[::-1], 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = make, 6
    exif.get_ifd(0x8769)[0xA405] = 26
    if gps:
        exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 51.0, 29.6), 3: "E", 4: (2.0, 17.0, 40.0)})
    out = io.BytesIO()
    picture.save(out, kind, exif=exif, quality=90)
    return out.getvalue()


# -- What goes in comes out ------------------------------------------------------------------------


def test_a_reading_comes_back_whole(logbook, job):
    result = job.read("rake", rake(91.2, flags=("soft_focus",)), jpeg(), jpeg(gps=False))
    [entry] = logbook.entries(job.uid)
    assert entry == result.entry
    assert (entry.value, entry.unit, entry.outcome) == (91.2, "deg", result.verdict.outcome)
    assert entry.standard_uncertainty == pytest.approx(float(np.hypot(0.05, 0.08)))
    assert entry.version == software_version()
    assert entry.photo_sha256 == "a" * 64
    assert [p["name"] for p in entry.body["budget"]] == ["edge fit", "surface reference"]
    assert entry.flags == ("soft_focus",)
    assert entry.at.utcoffset() == timedelta(0)
    assert logbook.picture(entry.photo_ref)[:2] == b"\xff\xd8"
    assert logbook.picture(entry.overlay_ref)[:2] == b"\xff\xd8"


def test_refusals_turns_and_facts_come_back(logbook, job):
    job.read("rake", Refusal("rake", "The stylus spans 14 px.", "Move closer.", sha256="b" * 64))
    result = job.read("azimuth", Reading("azimuth", 1.4, "deg", "body", (BudgetPart("e", 0.05),)))
    job.turned(result.advice.turn, "azimuth", "half a turn")
    job.tell("record_mm", 2.1)
    kinds = [e.kind for e in job.entries()]
    assert kinds == ["refusal", "reading", "turn", "fact"]
    assert job.entries()[0].value is None
    assert "Move closer" in job.entries()[0].note
    assert job.entries()[2].turn() == result.advice.turn
    assert OpenJob.resume(logbook, job.uid[:6]).deck.record_mm == 2.1


def test_corrections_are_new_rows(logbook, job):
    wrong = job.typed("first-force", "tracking-force", 1.2, "gf", 0.02).entry
    right = job.typed("first-force", "tracking-force", 2.0, "gf", 0.02, corrects=wrong.uid).entry
    assert [e.uid for e in job.entries()] == [wrong.uid, right.uid]
    assert [e.uid for e in standing(job.entries())] == [right.uid]
    other = OpenJob.start(logbook, DECKS["deck-b"])
    with pytest.raises(ValueError, match="same job"):
        other.typed("first-force", "tracking-force", 2.0, "gf", 0.02, corrects=wrong.uid)


def test_decks_have_revisions(logbook):
    key = logbook.save_deck(DECKS["deck-a"])
    assert logbook.save_deck(DECKS["deck-a"], key) == key
    assert logbook.deck(key).revision == 1
    logbook.save_deck(replace(DECKS["deck-a"], record_mm=2.2), key)
    assert logbook.deck(key[:8]).revision == 2
    assert [d.deck.record_mm for d in logbook.decks()] == [2.2]
    with pytest.raises(ValueError, match="deck: got 'nothing'"):
        logbook.deck("nothing")


def test_history_of_a_quantity_over_jobs(logbook):
    key = logbook.save_deck(DECKS["deck-a"])
    for value in (91.0, 92.0):
        OpenJob.start(logbook, DECKS["deck-a"], deck_key=key).read("rake", rake(value))
    OpenJob.start(logbook, DECKS["deck-b"]).read("rake", rake(80.0))
    assert [e.value for e in logbook.history(key, "rake")] == [91.0, 92.0]


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda j: j.typed("first-force", "tracking-force", 20.0, "gf", 0.02), "got 20 gf"),
        (lambda j: j.typed("first-force", "tracking-force", -1.0, "gf", 0.02), "got -1 gf"),
        (lambda j: j.typed("first-force", "tracking-force", 19.6, "mN", 0.1), "got 'mN'"),
        (lambda j: j.typed("first-force", "tracking-force", 2.0, "gf", 0.0), "uncertainty: got 0"),
        (lambda j: j.typed("first-force", "tracking-force", float("nan"), "gf", 0.1), "got nan"),
        (lambda j: j.typed("mounting-distance", "mounting-distance", 8.3, "mm", 0.1), "120 to 450"),
        (lambda j: j.read("azimuth", rake()), "azimuth: got a reading of 'rake'"),
        (lambda j: j.confirm("dance"), "step: got 'dance'"),
        (lambda j: j.skip("rake", " "), "reason: got nothing"),
        (lambda j: j.tell("record_mm", 50.0), "record thickness: got 50 mm"),
        (lambda j: j.tell("warp_mm", -1.0), "warp: got -1 mm"),
        (lambda j: j.tell("mounting_distance_mm", 240.0), "less than the effective length"),
        (lambda j: j.tell("colour", 1.0), "fact: got 'colour'"),
        (lambda j: j.reorder(["rake"]), "order"),
        (lambda j: j.logbook.add(j.uid, "poem", "rake"), "kind: got 'poem'"),
        (lambda j: j.logbook.add("0" * 32, "confirm", "rake"), "allowed a job of this logbook"),
        (lambda j: j.logbook.add(j.uid, "typed", "rake", value=1.0), "needs a unit"),
        (lambda j: j.logbook.add(j.uid, "confirm", "rake", body={"x": float("inf")}), "JSON"),
        (lambda j: OpenJob.resume(j.logbook, "zzz"), "job: got 'zzz'"),
    ],
)
def test_bad_input_is_named_and_nothing_is_stored(job, act, words):
    with pytest.raises(ValueError, match=r"got|needs|JSON") as caught:
        act(job)
    assert words in str(caught.value)
    assert job.entries() == []


# -- Append-only -----------------------------------------------------------------------------------


@pytest.mark.parametrize("statement", ["UPDATE {} SET uid = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", [t.name for t in schema.TABLES])
def test_the_database_itself_refuses_to_change_a_row(logbook, job, statement, table):
    job.confirm("inspect")
    other = sqlite3.connect(logbook.url.removeprefix("sqlite:///"))
    with pytest.raises(sqlite3.DatabaseError, match="append-only"):
        other.execute(statement.format(table))
    other.close()
    assert len(job.entries()) == 1


def test_migration_makes_what_the_code_reads(logbook):
    found = sa.inspect(logbook.engine)
    for table in schema.TABLES:
        assert {c["name"] for c in found.get_columns(table.name)} == set(table.columns.keys())


def test_a_newer_logbook_is_left_alone(tmp_path):
    path = tmp_path / "log.sqlite"
    Logbook.open(str(path), str(tmp_path)).close()
    with sqlite3.connect(path) as other:
        other.execute("UPDATE alembic_version SET version_num = '0999'")
    other.close()
    with pytest.raises(LogbookError, match="newer version"):
        open_engine(database_url(str(path)))


# -- Killed, full, read-only, shared ---------------------------------------------------------------

WRITER = """
import sys
from bench.job import OpenJob
from bench.logbook import Logbook
from tests.test_logbook import DECKS, jpeg, rake
book = Logbook.open(sys.argv[1], sys.argv[2])
job = OpenJob.resume(book, sys.argv[3]) if sys.argv[3] else OpenJob.start(book, DECKS["deck-a"])
for n in range(int(sys.argv[4])):
    print(job.read("rake", rake(90 + n % 4), jpeg(size=(400, 300))).entry.uid, flush=True)
"""


def writer(tmp_path, job_uid, count, **options):
    command = [
        sys.executable, "-c", WRITER, str(tmp_path / "log.sqlite"), str(tmp_path / "photos"),
        job_uid, str(count),
    ]  # fmt: skip
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, **options)


def test_kill_9_in_mid_write_loses_nothing_that_was_said_to_be_kept(tmp_path, logbook, job):
    said = []
    for pause in (0.02, 0.11, 0.23):
        child = writer(tmp_path, job.uid, 100000)
        said.append(child.stdout.readline().strip())
        time.sleep(pause)
        child.send_signal(signal.SIGKILL)
        said += [line.strip() for line in child.stdout.read().splitlines() if len(line) >= 32]
        child.stdout.close()
        child.wait()
    kept = {e.uid: e for e in job.entries()}
    assert len(said) >= 3
    assert set(said) <= set(kept)
    assert len(kept) - len(said) <= 3
    for entry in kept.values():
        assert logbook.picture(entry.photo_ref)
        assert entry.body["budget"]
    with sqlite3.connect(tmp_path / "log.sqlite") as other:
        assert other.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    other.close()


def test_two_processes_write_at_once_even_into_a_new_logbook(tmp_path):
    children = [writer(tmp_path, "", 15) for _ in range(2)]
    said = [child.communicate(timeout=120)[0].split() for child in children]
    assert [child.returncode for child in children] == [0, 0]
    book = Logbook.open(str(tmp_path / "log.sqlite"), str(tmp_path / "photos"))
    assert {e.uid for e in book.all_entries()} == {uid for uids in said for uid in uids}
    assert len(book.jobs()) == 2
    book.close()


def test_threads_share_one_logbook(job):
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as pool:
        kept = list(pool.map(lambda n: job.confirm("inspect", str(n)).uid, range(24)))
    assert sorted(e.uid for e in job.entries()) == sorted(kept)


def test_disk_full_is_said_and_nothing_is_stored_half(logbook, job):
    """SQLite's own page limit stands for the full disk: it gives SQLITE_FULL."""

    def limit(connection, _record):
        connection.execute("PRAGMA max_page_count = 1")

    job.confirm("inspect")
    logbook.engine.dispose()
    sa.event.listen(logbook.engine, "connect", limit)
    with pytest.raises(LogbookError, match="disk is full") as caught:
        job.logbook.add(job.uid, "confirm", "rake", body={"note": "x" * 100000})
    assert "free some space" in caught.value.advice
    sa.event.remove(logbook.engine, "connect", limit)
    logbook.engine.dispose()
    assert len(job.entries()) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")
def test_no_room_for_a_photo_is_said_and_leaves_no_half_file(tmp_path, job):
    import resource

    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "from bench.pictures import Pictures\n"
        "from bench.problems import LogbookError\n"
        "store = Pictures(sys.argv[1])\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n    store.keep(b'x' * 5000, 'jpg')\n"
        "except LogbookError as error:\n    print(error.reason)\n"
    )
    assert resource.RLIMIT_FSIZE is not None
    folder = tmp_path / "full"
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=ROOT, capture_output=True, text=True
    )
    assert "disk is full" in done.stdout, done.stderr
    assert [p for p in folder.rglob("*") if p.is_file()] == []


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="a folder nobody can write in is /proc")
def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(LogbookError, match="cannot be written") as caught:
        Logbook.open("/proc/deckplumb/log.sqlite", str(tmp_path))
    assert "DECKPLUMB_DB" in caught.value.advice


def test_a_read_only_logbook_can_be_read_but_not_written(tmp_path, job, monkeypatch):
    job.confirm("inspect")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    url = f"sqlite:///file:{tmp_path / 'log.sqlite'}?mode=ro&uri=true"
    book = Logbook.open(url, str(tmp_path / "photos"))
    assert len(book.entries(job.uid)) == 1
    with pytest.raises(LogbookError, match="cannot be written"):
        book.add(job.uid, "confirm", "rake")
    book.close()
    assert not list((tmp_path / "elsewhere").iterdir())  # the address is no folder's name


def test_a_file_that_is_no_logbook_is_said(tmp_path):
    (tmp_path / "log.sqlite").write_bytes(b"not a database at all, " * 100)
    with pytest.raises(LogbookError, match="damaged or is not a logbook"):
        Logbook.open(str(tmp_path / "log.sqlite"), str(tmp_path))


@pytest.mark.parametrize("url", ["nosuch://x", "postgresql+nosuch://x"])
def test_an_address_that_cannot_be_used_is_said(url):
    with pytest.raises(LogbookError, match="address"):
        open_engine(url)


def test_environment_names_the_places(tmp_path, monkeypatch):
    monkeypatch.setenv("DECKPLUMB_DB", str(tmp_path / "elsewhere.sqlite"))
    monkeypatch.setenv("DECKPLUMB_PHOTOS", str(tmp_path / "pictures"))
    book = Logbook.open()
    reference = book.keep_picture(jpeg())
    assert (tmp_path / "elsewhere.sqlite").is_file()
    assert (tmp_path / "pictures" / reference).is_file()
    book.close()


def test_pictures_in_another_store_by_address(tmp_path):
    """fsspec's in-memory file system stands for object storage."""
    book = Logbook.open(str(tmp_path / "log.sqlite"), "memory://deckplumb-test")
    reference = book.keep_picture(jpeg())
    assert book.picture(reference)[:2] == b"\xff\xd8"
    book.close()
    with pytest.raises(LogbookError, match="photo address"):
        Logbook.open(str(tmp_path / "log.sqlite"), "nosuchstore://x")


def test_a_damaged_or_lost_picture_is_said(tmp_path, logbook):
    reference = logbook.keep_picture(jpeg())
    path = tmp_path / "photos" / reference
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(LogbookError, match="damaged"):
        logbook.picture(reference)
    path.unlink()
    with pytest.raises(LogbookError, match="gone"):
        logbook.picture(reference)
    with pytest.raises(ValueError, match="photo reference"):
        logbook.picture("../../etc/passwd")


# -- Privacy ---------------------------------------------------------------------------------------


def tags(data):
    with Image.open(io.BytesIO(data)) as picture:
        exif = picture.getexif()
        return dict(exif), dict(exif.get_ifd(0x8769)), dict(exif.get_ifd(0x8825))


def pixels(data):
    with Image.open(io.BytesIO(data)) as picture:
        return np.asarray(picture.convert("RGB"))


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_location_goes_and_pixels_stay(kind):
    data = jpeg(kind=kind)
    assert tags(data)[2]
    clean, ending = without_location(data)
    base, inner, gps = tags(clean)
    assert not gps
    assert base[0x0112] == 6
    assert inner[0xA405] == 26
    assert ending == {"JPEG": "jpg", "PNG": "png"}[kind]
    assert np.array_equal(pixels(clean), pixels(data))


def test_hidden_places_go_too():
    """XMP, comments, maker notes, and a second picture after the first (as phones append)."""
    import struct

    def segment(marker, body):
        return b"\xff" + bytes([marker]) + struct.pack(">H", len(body) + 2) + body

    xmp = segment(0xE1, b"http://ns.adobe.com/xap/1.0/\x00<x exif:GPSLatitude='48,51N'/>")
    iptc = segment(0xED, b"Photoshop 3.0\x00SecretTown")
    comment = segment(0xFE, b"SecretTown")
    data = jpeg()
    data = data[:2] + xmp + iptc + comment + data[2:] + b"trailer" + jpeg()
    clean, _ = without_location(data)
    assert b"GPSLatitude" not in clean
    assert b"SecretTown" not in clean
    assert clean.count(b"Exif\x00\x00") == 1
    assert clean.endswith(b"\xff\xd9")
    assert np.array_equal(pixels(clean), pixels(data))


def test_heic_is_kept_as_jpeg_without_location():
    import pillow_heif

    pillow_heif.register_heif_opener()
    picture = Image.fromarray(np.full((64, 96, 3), 120, np.uint8))
    out = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 51.0, 29.6)})
    picture.save(out, "HEIF", exif=exif.tobytes())
    clean, ending = without_location(out.getvalue())
    assert ending == "jpg"
    assert not tags(clean)[2]


def test_a_very_large_picture_is_cleaned_without_decoding():
    """A header that claims 60000 × 60000 pixels: above any bomb guard, yet only cut, not opened."""
    data = bytearray(jpeg())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = (60000).to_bytes(2, "big") * 2
    clean, _ = without_location(bytes(data))
    assert clean.count(b"Exif\x00\x00") == 1
    assert b"\x88\x25" not in clean[:200]


@pytest.mark.parametrize("data", [b"", b"\xff\xd8", b"\xff\xd8\xff\xe1\x00", b"hello" * 50])
def test_what_is_no_picture_is_not_kept(job, data):
    with pytest.raises(ValueError, match="photo"):
        without_location(data)
    entry = job.read("rake", rake(), data).entry
    assert entry.photo_ref is None
    assert "photo" in entry.body["photo_not_kept"]


# -- Out and back ----------------------------------------------------------------------------------


def test_export_csv_and_json(tmp_path, job):
    job.read("rake", rake(91.2))
    job.confirm("inspect", "=cmd()")
    assert export(job.logbook, tmp_path / "log.csv") == 2
    with (tmp_path / "log.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert (rows[0]["value"], rows[0]["unit"], rows[0]["quantity"]) == ("91.2", "deg", "rake")
    assert float(rows[0]["expanded_uncertainty"]) == pytest.approx(2 * float(np.hypot(0.05, 0.08)))
    assert rows[1]["note"] == "'=cmd()"
    export(job.logbook, tmp_path / "log.json", job.uid)
    data = json.loads((tmp_path / "log.json").read_text(encoding="utf-8"))
    assert data["entries"][0]["body"]["measurand"] == "axis of the shank"
    with pytest.raises(ValueError, match=r"\.csv or \.json"):
        export(job.logbook, tmp_path / "log.xls")
    assert sorted(p.name for p in tmp_path.glob("log.*")) == ["log.csv", "log.json", "log.sqlite"]


def test_backup_and_restore_bring_everything_back_once(tmp_path, logbook, job):
    entry = job.read("rake", rake(91.2), jpeg(), jpeg(size=(80, 60))).entry
    logbook.save_deck(DECKS["deck-b"])
    assert backup(logbook, tmp_path / "b.zip") == "1 jobs, 1 entries, 2 pictures"
    other = Logbook.open(str(tmp_path / "other.sqlite"), str(tmp_path / "other"))
    OpenJob.start(other, DECKS["linear"]).confirm("inspect")
    assert restore(other, tmp_path / "b.zip").startswith("1 jobs, 1 entries")
    assert restore(other, tmp_path / "b.zip").startswith("0 jobs, 0 entries")
    assert other.entries(job.uid) == logbook.entries(job.uid)
    assert other.picture(entry.photo_ref) == logbook.picture(entry.photo_ref)
    assert len(other.jobs()) == 2
    assert len(other.decks()) == 3
    other.close()


@pytest.mark.parametrize("harm", ["cut", "member", "text"])
def test_a_damaged_backup_changes_nothing(tmp_path, logbook, job, harm):
    job.read("rake", rake(), jpeg())
    path = tmp_path / "b.zip"
    backup(logbook, path)
    if harm == "cut":
        path.write_bytes(path.read_bytes()[:-40])
    elif harm == "text":
        path.write_text("hello", encoding="utf-8")
    else:
        with zipfile.ZipFile(path) as old:
            members = {n: old.read(n) for n in old.namelist()}
        members["entries.jsonl"] = members["entries.jsonl"].replace(b"92.0", b"93.0")
        with zipfile.ZipFile(path, "w") as new:
            for name, data in members.items():
                new.writestr(name, data)
    other = Logbook.open(str(tmp_path / "other.sqlite"), str(tmp_path / "other"))
    with pytest.raises(LogbookError, match=r"damaged|not a whole backup"):
        restore(other, path)
    assert other.jobs() == []
    other.close()


# -- PostgreSQL ------------------------------------------------------------------------------------


@pytest.fixture
def postgres(tmp_path_factory):
    """A PostgreSQL of our own for the test, where one is installed."""
    pytest.importorskip("psycopg")
    if not shutil.which("initdb") or not shutil.which("pg_ctl"):
        pytest.skip("no PostgreSQL on this machine")
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="deckplumb-pg-"))
    options = {}
    if os.geteuid() == 0:
        try:
            import pwd

            pwd.getpwnam("postgres")
        except KeyError:
            pytest.skip("PostgreSQL does not run as root and there is no user postgres")
        shutil.chown(folder, "postgres")
        options = {"user": "postgres", "cwd": folder}
    data, log = folder / "data", folder / "log"
    quiet = {"check": True, "stdout": subprocess.DEVNULL, **options}
    subprocess.run(["initdb", "-D", data, "-U", "deckplumb", "-A", "trust", "-N"], **quiet)
    start = ["pg_ctl", "-D", data, "-l", log, "-w", "-o", f"-k {folder} -h ''", "start"]
    subprocess.run(start, **quiet)
    yield f"postgresql+psycopg://deckplumb@/postgres?host={folder}"
    subprocess.run(["pg_ctl", "-D", data, "-m", "immediate", "stop"], **quiet)
    shutil.rmtree(folder)


def test_postgresql_keeps_the_same_promises(tmp_path, postgres, logbook, job):
    job.read("rake", rake(91.2), jpeg())
    backup(logbook, tmp_path / "b.zip")
    club = Logbook.open(postgres, str(tmp_path / "club"))
    restore(club, tmp_path / "b.zip")
    assert club.entries(job.uid) == logbook.entries(job.uid)
    there = OpenJob.resume(club, job.uid)
    there.confirm("inspect")
    assert len(there.entries()) == 2
    with pytest.raises(LogbookError, match="append-only"), writing(club.engine) as db:
        db.execute(sa.text("DELETE FROM entries"))
    assert len(there.entries()) == 2
    Logbook.open(postgres, str(tmp_path / "club")).close()
    club.close()
