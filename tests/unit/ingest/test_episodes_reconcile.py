"""A refold is a diff: events found again keep their id (own design; no outside source)."""

from __future__ import annotations

from ingest.domain.episodes import Episode
from ingest.domain.reconciling import reconcile

JOURNAL = "00000000-0000-4000-8000-000000000001"


def lamp(start, end=None, kind="mil_on", subject=""):
    return Episode(
        kind=kind, subject=subject, started_at=start * 1000, start_key=(JOURNAL, start),
        ended_at=None if end is None else end * 1000, end_key=end and (JOURNAL, end),
    )  # fmt: skip


def test_identical_events_keep_their_ids():
    episodes = [lamp(1, 5), lamp(7, 9), lamp(11), lamp(1, kind="code", subject="P0420:confirmed")]
    stored = list(enumerate(episodes, start=10))
    result = reconcile(stored, episodes)
    assert (sorted(result.kept, key=lambda kept: kept[0]), result.new, result.withdrawn) == (
        stored, [], [],
    )  # fmt: skip


def test_a_moved_start_keeps_the_id_when_the_times_overlap():
    result = reconcile([(3, lamp(5, 9))], [lamp(2, 9)])
    assert result.kept == [(3, lamp(2, 9))]


def test_an_event_cut_in_two_keeps_one_id_and_gets_one_new():
    result = reconcile([(3, lamp(1, 9))], [lamp(1, 4), lamp(6, 9)])
    assert result.kept == [(3, lamp(1, 4))]
    assert result.new == [lamp(6, 9)]


def test_two_events_that_were_one_withdraw_the_other_id():
    result = reconcile([(3, lamp(1, 4)), (4, lamp(6, 9))], [lamp(1, 9)])
    assert result.kept == [(3, lamp(1, 9))]
    assert result.withdrawn == [4]


def test_the_same_time_of_another_subject_is_another_event():
    old = lamp(1, 9, kind="code", subject="P0420:confirmed")
    new = lamp(1, 9, kind="code", subject="P0300:confirmed")
    result = reconcile([(3, old)], [new])
    assert (result.kept, result.new, result.withdrawn) == ([], [new], [3])


def test_events_that_do_not_touch_are_not_the_same():
    assert reconcile([(3, lamp(1, 4))], [lamp(5, 9)]).withdrawn == [3]
    assert reconcile([(3, lamp(1, 5))], [lamp(5, 9)]).withdrawn == []


def cleared(before: int | None, at: int) -> Episode:
    details = {"not_before": None if before is None else before * 1000}
    return Episode(
        kind="clear", subject="", started_at=at * 1000, start_key=(JOURNAL, at),
        ended_at=at * 1000, end_key=(JOURNAL, at), details=details,
    )  # fmt: skip


def test_a_clear_found_earlier_by_a_late_reading_keeps_its_id():
    result = reconcile([(3, cleared(1, 5))], [cleared(1, 3)])
    assert (result.kept, result.new, result.withdrawn) == ([(3, cleared(1, 3))], [], [])


def test_a_clear_that_is_narrowed_from_below_keeps_its_id():
    assert reconcile([(3, cleared(1, 5))], [cleared(4, 5)]).kept == [(3, cleared(4, 5))]


def test_two_clears_moved_at_once_are_not_mixed_up():
    result = reconcile([(3, cleared(1, 5)), (4, cleared(5, 9))], [cleared(1, 2), cleared(6, 7)])
    assert result.kept == [(3, cleared(1, 2)), (4, cleared(6, 7))]


def test_a_clear_on_the_other_side_of_a_reading_is_another_one():
    result = reconcile([(3, cleared(1, 5))], [cleared(5, 9)])
    assert (result.new, result.withdrawn) == ([cleared(5, 9)], [3])


def test_a_clear_without_a_reading_before_can_be_any_up_to_its_own():
    assert reconcile([(3, cleared(None, 5))], [cleared(4, 6)]).kept == [(3, cleared(4, 6))]
    assert reconcile([(3, cleared(None, 5))], [cleared(5, 6)]).withdrawn == [3]


def test_without_a_stretch_only_the_same_moment_is_the_same_clear():
    assert reconcile([(3, cleared(5, 5))], [cleared(4, 4)]).withdrawn == [3]
    assert reconcile([(3, cleared(5, 5))], [cleared(5, 5)]).withdrawn == []


def test_a_clear_without_a_stretch_is_any_that_has_its_moment_inside():
    """Two readings of one moment, as of a clock that stands still."""
    assert reconcile([(3, cleared(5, 5))], [cleared(4, 6)]).kept == [(3, cleared(4, 6))]
