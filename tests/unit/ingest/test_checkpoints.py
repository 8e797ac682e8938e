"""Which states of a fold are kept: the rule for one number, and what a fold keeps as it goes on."""

from __future__ import annotations

from math import log2

from hypothesis import given
from hypothesis import strategies as st

from ingest.domain.checkpoints import EVERY, expired, is_due, is_kept

REPORTS = 20_000


def test_what_is_kept_step_by_step_is_what_the_rule_keeps() -> None:
    kept: set[int] = set()
    for reports in range(EVERY, REPORTS + 1, EVERY):
        kept.add(reports)
        kept -= set(expired(reports))
        if reports % (EVERY * 37) == 0:
            assert kept == {one for one in range(reports + 1) if is_kept(one, reports)}


@given(st.integers(EVERY, REPORTS))
def test_few_are_kept(reports: int) -> None:
    """At most 4 log2(n / EVERY) + 4 (X, arithmetic)."""
    kept = [one for one in range(0, reports + 1, EVERY) if is_kept(one, reports)]
    assert len(kept) <= 4 * log2(reports / EVERY) + 4


@given(st.integers(1, REPORTS), st.data())
def test_a_late_report_is_never_far_from_a_checkpoint(reports: int, data: st.DataObject) -> None:
    """What comes a reports late costs at most 5/3 a + EVERY folded again (X, arithmetic)."""
    late = data.draw(st.integers(0, reports))
    place = reports - late
    kept = [one for one in range(0, place + 1, EVERY) if is_kept(one, reports)]
    assert reports - max(kept, default=0) <= 5 / 3 * late + EVERY


def test_only_every_so_many_is_due() -> None:
    assert [is_due(one) for one in (0, EVERY - 1, EVERY, EVERY + 1)] == [False, False, True, False]
