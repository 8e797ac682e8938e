"""What one fitting knows of its vehicle, over restarts and on a disk that takes nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.fitting import NEWER, Fitting


def test_a_fitting_is_first_once_in_its_life(tmp_path: Path) -> None:
    path = tmp_path / "box.identified"
    fitting = Fitting(path)
    assert not fitting.identified
    assert [fitting.first(), fitting.first()] == [True, False]
    again = Fitting(path)
    assert again.identified
    assert not again.first()
    assert not again.newer_protocol


def test_the_newer_protocol_is_remembered(tmp_path: Path) -> None:
    fitting = Fitting(tmp_path / "box.identified")
    fitting.first()
    fitting.keep_newer_protocol()
    assert fitting.newer_protocol
    assert Fitting(tmp_path / "box.identified").newer_protocol


@pytest.mark.parametrize(
    "body", [b"", NEWER[:-1].encode(), NEWER.encode() * 2, b"\xff\xfe", b"\0" * 5000]
)
def test_a_file_that_says_something_else_means_identified_and_no_more(
    tmp_path: Path, body: bytes
) -> None:
    path = tmp_path / "box.identified"
    path.write_bytes(body)
    fitting = Fitting(path)
    assert (fitting.identified, fitting.newer_protocol, fitting.first()) == (True, False, False)


def test_a_disk_that_keeps_nothing_means_that_nothing_is_asked(tmp_path: Path) -> None:
    fitting = Fitting(tmp_path / "no such folder" / "box.identified")
    assert not fitting.first()
    assert not fitting.first()
    fitting.keep_newer_protocol()
    assert fitting.newer_protocol


def test_a_folder_in_its_place_is_survived(tmp_path: Path) -> None:
    (tmp_path / "box.identified").mkdir()
    fitting = Fitting(tmp_path / "box.identified")
    assert (fitting.identified, fitting.newer_protocol) == (True, False)
