"""README, CI and the code say the same thing."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_ci_runs_readmes_own_test_command():
    line = next(x for x in README.splitlines() if x.strip().endswith("-m pytest -n 2"))
    assert line.strip() in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_every_command_in_readme_parses():
    """Each `deckplumb …` line in a code block must be accepted by the parser."""
    from ui.cli import build_parser

    blocks = re.findall(r"^```sh\n(.*?)^```", README, re.S | re.M)
    lines = [
        line.split("#")[0].strip()
        for block in blocks
        for line in block.splitlines()
        if line.strip().startswith("deckplumb ")
    ]
    assert len(lines) >= 8
    parser = build_parser()
    for line in lines:
        parser.parse_args(line.split()[1:])


def test_pictures_in_readme_exist():
    for target in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / target).is_file(), target
