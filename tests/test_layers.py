"""The house rules of DEVELOPERS.md: who may import whom."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STDLIB = set(sys.stdlib_module_names)


def imports_of(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def files(package):
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("path", files("vision"), ids=lambda p: p.name)
def test_vision_knows_nothing_above_it(path):
    bad = {"ui", "bench", "streamlit", "sqlalchemy", "altair", "reportlab", "tests"}
    assert not bad & {name.split(".")[0] for name in imports_of(path)}


@pytest.mark.parametrize("path", files("bench"), ids=lambda p: p.name)
def test_bench_knows_readings_and_sheet_layouts_only(path):
    allowed = ("vision.reading", "vision.sheet_layouts")
    for name in imports_of(path):
        top = name.split(".")[0]
        assert top not in {"ui", "streamlit", "cv2", "skimage", "tests"}, name
        if top == "vision" and name != "vision":
            assert name.startswith(allowed), name


@pytest.mark.parametrize("name", ["vision/camera.py", "bench/arm.py", "bench/mechanics.py"])
def test_pure_geometry_needs_numpy_and_scipy_only(name):
    path = ROOT / name
    own = name.split("/")[0]
    tops = {n.split(".")[0] for n in imports_of(path)} - STDLIB
    assert tops <= {"numpy", "scipy", own}


def test_cli_starts_light():
    """Importing the command line must not pull in Streamlit, OpenCV or SciPy."""
    import subprocess

    code = (
        "import sys, ui.cli; ui.cli.build_parser();"
        "heavy = ('streamlit', 'cv2', 'scipy', 'numpy', 'sqlalchemy');"
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr
