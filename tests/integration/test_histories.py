"""A life gives the same picture, events and alert conditions in whatever order it arrives.

Each life is stored three times: as it was lived, and shuffled, repeated and up to 30 days late in
SQLite and in PostgreSQL. The reference is the first run, not a figure. The bound: no failure in n
lives says, at 95 %, less than 3/n a life (the rule of three).
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from tests.support import histories, lives
from tests.support.databases import postgres_database

RESULTS = Path(__file__).parents[1] / "bench" / "results" / "histories.json"
SHORT, LONG, STEP = 8, 1000, 25
EXPECTED = {
    "mil_on", "code", "not_complete", "clear", "another_tester", "software_changed",
    "alert mil_on", "alert monitor_stuck", "alert gateway_silent",
}  # fmt: skip
"""What a few lives must have among them."""


def length_of(number: int) -> int:
    """Every fourth life is long enough for checkpoints of the fold to be thinned out."""
    return 450 if number % 4 == 3 else 150


class Lived:
    """What many lives came to."""

    def __init__(self) -> None:
        self.reports = self.withdrawn = self.moved = 0
        self.kinds: Counter[str] = Counter()

    def live(self, number: int, folder: Path, server: str, template: str) -> None:
        """Store one life three times, and compare."""
        sent = lives.life(number, length_of(number))
        end = histories.end_of(sent)
        late = histories.shuffled(number, sent)
        lived = f"sqlite:///{folder}/{number}-lived.sqlite3"
        in_order, kept = histories.run(lived, histories.lived(number, sent), end)
        assert kept.broken == [], f"life {number} as lived"
        wanted = histories.sent_keys(sent)
        assert histories.keys(in_order) == wanted, f"life {number}: lost or doubled"
        with postgres_database(server, template) as postgresql:
            for url in (f"sqlite:///{folder}/{number}-late.sqlite3", postgresql):
                found, kept = histories.run(url, late, end)
                assert histories.keys(found) == wanted, f"life {number} in {url}: lost or doubled"
                assert histories.differences(in_order, found) == [], f"life {number} in {url}"
                assert kept.broken == [], f"life {number} in {url}"
        self.reports += len(wanted)
        self.withdrawn += kept.withdrawn
        self.moved += kept.moved
        self.kinds += histories.kinds(in_order)


@pytest.mark.services
def test_eight_lives_are_the_same_in_any_order(
    tmp_path: Path, postgres_url: str, postgres_template: str
) -> None:
    lived = Lived()
    for number in range(SHORT):
        lived.live(number, tmp_path, postgres_url, postgres_template)

    assert lived.kinds.keys() >= EXPECTED
    assert lived.withdrawn > 0
    assert lived.moved > 0


@pytest.mark.long
def test_a_thousand_lives_are_the_same_in_any_order(
    tmp_path: Path, postgres_url: str, postgres_template: str
) -> None:
    """Goes on where it was stopped."""
    done = json.loads(RESULTS.read_text())["slices"] if RESULTS.exists() else []
    for first in range(len(done) * STEP, LONG, STEP):
        folder = tmp_path / str(first)
        folder.mkdir()
        lived = Lived()
        for number in range(first, first + STEP):
            lived.live(number, folder, postgres_url, postgres_template)
        done.append(
            {
                "lives": STEP,
                "first": first,
                "reports": lived.reports,
                "withdrawn": lived.withdrawn,
                "moved": lived.moved,
                "kinds": dict(sorted(lived.kinds.items())),
            }
        )
        _write(done)
    assert sum(one["lives"] for one in done) == LONG


def _write(done: list[dict[str, object]]) -> None:
    number = sum(int(str(one["lives"])) for one in done)
    found = {
        "lives": number,
        "reports": sum(int(str(one["reports"])) for one in done),
        "different": 0,
        "identities_not_kept": 0,
        "lost_or_doubled": 0,
        "bound_95_per_life": round(3 / number, 5),
        "slices": done,
    }
    RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
