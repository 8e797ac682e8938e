"""What stands in the tree: the top level, the size of files, and nothing of one machine."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "dashboard",
    "fleet_demo",
    "gateway",
    "ingest",
    "pyproject.toml",
    "tests",
}
MAX_LINES = 400
# A path of one machine's own folders, and the host of a package registry or a file of one.
MACHINE_PATH = re.compile(
    r"(?:(?<![\w.:/-])|file://)/(?:work|root|home/\w+)/|(?<![\w.-])/opt/(?:wheels|pypi)"
)
REGISTRY = re.compile(
    r"\b(?:pypi|pythonhosted|npmjs)\.(?:org|com)\b|(?:--extra-index|--trusted-host)[ =]\S"
)


def _files() -> list[Path]:
    """Return every file that git tracks or would track."""
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("the list of files comes from git, and this is no checkout")
    listed = subprocess.run(
        [git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\0")
    return [ROOT / name for name in listed if name and (ROOT / name).is_file()]


def _texts() -> dict[str, str]:
    texts = {}
    for path in _files():
        body = path.read_bytes()
        if b"\0" not in body:
            texts[path.relative_to(ROOT).as_posix()] = body.decode("utf-8")
    return texts


def test_nothing_else_stands_at_the_top() -> None:
    names = {path.relative_to(ROOT).parts[0] for path in _files()}
    assert {name for name in names if not name.startswith(".")} == TOP


def test_no_file_of_code_is_longer_than_400_lines() -> None:
    long = {
        name: lines
        for name, text in _texts().items()
        if name.endswith(".py") and (lines := text.count("\n")) > MAX_LINES
    }
    assert long == {}


@pytest.mark.parametrize(
    "pattern",
    [pytest.param(MACHINE_PATH, id="machine path"), pytest.param(REGISTRY, id="registry host")],
)
def test_no_file_knows_one_machine(pattern: re.Pattern[str]) -> None:
    found = {name: hit[0] for name, text in _texts().items() if (hit := pattern.search(text))}
    assert found == {}


@pytest.mark.parametrize(
    "pattern, text, hit",
    [
        pytest.param(MACHINE_PATH, "see " + "/root" + "/x", True, id="a home folder"),
        pytest.param(MACHINE_PATH, "file://" + "/root" + "/x", True, id="a home folder as a URL"),
        pytest.param(MACHINE_PATH, "DIR" + "/work" + "/x", False, id="a folder below another"),
        pytest.param(REGISTRY, "pypi" + ".org", True, id="a registry"),
        pytest.param(REGISTRY, "example" + ".org", False, id="an address for examples"),
    ],
)
def test_the_patterns_find_what_they_are_for(
    pattern: re.Pattern[str], text: str, hit: bool
) -> None:
    assert bool(pattern.search(text)) is hit


def test_test_files_have_names_of_their_own() -> None:
    """pytest could tell them apart; a person who reads a failing name could not."""
    stems = [path.stem for path in _files() if path.name.startswith("test_")]
    assert sorted({stem for stem in stems if stems.count(stem) > 1}) == []


def test_every_pinned_distribution_has_a_hash() -> None:
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [place for place, line in enumerate(lines) if re.match(r"[a-z0-9].*==", line)]
    assert pins
    assert [lines[place] for place in pins if "--hash=sha256:" not in lines[place + 1]] == []
