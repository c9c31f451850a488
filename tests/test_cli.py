"""The command line's contract: exit codes, JSON lines, other photos still read."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from ui.cli import FEW_PHOTOS, MOST_JOBS, main
from ui.demo import SAMPLES
from vision.measure import QUANTITIES
from vision.reading import SCHEMA

TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


def usable(quantity):
    return [
        SAMPLES / n
        for n, t in sorted(TRUTH.items())
        if t["quantity"] == quantity and t.get("truth_deg") is not None
    ]


def run(capsys, *argv):
    code = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return code, out, err


def json_lines(out):
    return [json.loads(line) for line in out.splitlines()]


@pytest.mark.parametrize("quantity", ["rake", "cantilever", "azimuth"])
def test_json_contract_on_the_samples(quantity, capsys, tmp_path):
    photos = usable(quantity)
    code, out, _ = run(capsys, "read", quantity, *photos, "--json", "--overlay", tmp_path)
    records = json_lines(out)
    assert [r["photo"] for r in records] == [str(p) for p in photos]
    assert code == (3 if any(r["refusal"] for r in records) else 0)
    assert any(r["refusal"] is None for r in records)
    for record in records:
        assert record["schema"] == SCHEMA
        assert record["quantity"] == quantity
        assert record["seconds"] > 0
        if record["refusal"] is None:
            assert record["unit"] == "deg"
            assert record["expanded_uncertainty"] > 0
            truth = TRUTH[Path(record["photo"]).name]["truth_deg"]
            # Three expanded uncertainties: a sample shown to newcomers must not be far out.
            assert abs(record["value"] - truth) <= 1.5 * record["expanded_uncertainty"]
        else:
            assert record["value"] is None
            assert record["refusal"]["reason"]
            assert record["refusal"]["advice"]
    assert len(list(tmp_path.glob("*.jpg"))) == len(photos)


def test_one_bad_file_does_not_stop_the_others(capsys, tmp_path):
    good = usable("azimuth")[0]
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"no picture")
    code, out, _ = run(capsys, "read", "azimuth", bad, tmp_path / "none.jpg", good, "--json")
    first, second, third = json_lines(out)
    assert code == 2
    assert "bad.jpg" in first["refusal"]["reason"]
    assert "none.jpg" in second["refusal"]["reason"]
    assert third["value"] is not None


def test_refusal_gives_three(capsys, tmp_path):
    blank = tmp_path / "blank.png"
    Image.fromarray(np.full((600, 800, 3), 128, np.uint8)).save(blank)
    for quantity in ("rake", "cantilever", "azimuth"):
        code, out, _ = run(capsys, "read", quantity, blank)
        assert code == 3, out
        assert "why:" in out
        assert "cure:" in out


def test_combine_adds_a_line(capsys, tmp_path):
    photo = usable("azimuth")[0]
    twin = tmp_path / "twin.jpg"
    shutil.copy(photo, twin)
    code, out, _ = run(capsys, "read", "azimuth", photo, twin, "--combine", "--json")
    one, two, both = json_lines(out)
    assert code == 0
    assert both["photo"] is None
    assert both["value"] == pytest.approx(one["value"])
    assert one["sha256"] == two["sha256"]


def test_jobs_give_the_same_answers(capsys):
    photos = usable("azimuth")[:2]
    threads = cv2.getNumThreads()
    _, alone, _ = run(capsys, "read", "azimuth", *photos, "--json")
    a = [r["value"] for r in json_lines(alone)]
    for jobs in ("1", "2"):
        _, shared, _ = run(capsys, "read", "azimuth", *photos, "--json", "--jobs", jobs)
        assert [r["value"] for r in json_lines(shared)] == pytest.approx(a)
        assert cv2.getNumThreads() == threads


def test_many_photos_are_read_on_all_cores_without_being_asked(capsys, monkeypatch):
    photo = usable("azimuth")[0]
    asked = []

    class Pool(ThreadPoolExecutor):
        def __init__(self, workers, *_, **__):
            asked.append(workers)
            super().__init__(1)

    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", Pool)
    monkeypatch.setattr("ui.cli.os.sched_getaffinity", lambda _: range(16), raising=False)
    one = json_lines(run(capsys, "read", "azimuth", photo, "--json")[1])
    few = json_lines(run(capsys, "read", "azimuth", *[photo] * FEW_PHOTOS, "--json")[1])
    assert not asked
    many = json_lines(run(capsys, "read", "azimuth", *[photo] * (FEW_PHOTOS + 1), "--json")[1])
    assert asked == [MOST_JOBS]
    assert {r["value"] for r in few + many} == {one[0]["value"]}


@pytest.mark.parametrize(
    "argv",
    [
        ["read", "colour", "a.jpg"],
        ["read", "rake"],
        ["read", "rake", "a.jpg", "--pivot", "up"],
        ["read", "rake", "a.jpg", "--jobs", "0"],
        ["read", "rake", "a.jpg", "--given", "x"],
        ["app", "--port", "80"],
        [],
    ],
)
def test_bad_usage_gives_two(argv, capsys):
    with pytest.raises(SystemExit) as caught:
        main(argv)
    assert caught.value.code == 2
    assert "usage" in capsys.readouterr().err


def test_bad_option_values_give_two(capsys, tmp_path):
    photo = usable("rake")[0]
    code, _, err = run(capsys, "read", "rake", photo, "--mirror-mm", "-3")
    assert code == 2
    assert "mirror_mm" in err
    code, _, err = run(capsys, "read", "rake", photo, "--mark", tmp_path / "none.json")
    assert code == 2
    assert "marks" in err


def test_every_quantity_is_offered_and_implemented():
    from ui.cli import QUANTITIES as OFFERED
    from vision.measure import _reader

    assert OFFERED == QUANTITIES
    for quantity in QUANTITIES:
        assert callable(_reader(quantity))


def test_our_own_fault_is_code_one_and_leaves_the_rest(capsys, monkeypatch):
    import vision.measure

    photo = usable("azimuth")[0]

    def broken(*_):
        raise RuntimeError("boom")

    monkeypatch.setattr(vision.measure, "measure", broken)
    code, out, err = run(capsys, "read", "azimuth", photo, "--json")
    assert code == 1
    assert json_lines(out)[0]["refusal"]["reason"].startswith("The program failed")
    assert "boom" in err


def test_demo_reads_every_sample(capsys, tmp_path):
    code, out, _ = run(capsys, "demo", "--out", tmp_path / "demo")
    assert code == 0
    assert "should have refused" not in out
    # U is k = 2: one in twenty may stand outside it. More than 3 of 15: odds of 1 in 180.
    assert out.count("NO (") <= 3, out
    for name in TRUTH:
        assert name in out
        assert (tmp_path / "demo" / f"{Path(name).stem}-overlay.jpg").is_file()
