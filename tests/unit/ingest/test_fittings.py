"""Which gateway sat where: a life of random lists never leaves two fittings at one time."""

from __future__ import annotations

from dataclasses import replace
from itertools import count, pairwise

from hypothesis import given
from hypothesis import strategies as st

from ingest.domain.fittings import EVER, Span, Wanted, refit


def _apply(stored: list[Span], wanted: list[Wanted], now: int, ids: count[int]) -> list[Span]:
    changes = refit(stored, wanted, now)
    if changes.overlaps:
        return stored  # refused whole
    altered = {span.id: span for span in changes.altered}
    gone = {span.id for span in changes.removed}
    kept = [altered.get(span.id, span) for span in stored if span.id not in gone]
    return kept + [replace(span, id=next(ids)) for span in changes.new]


def _life(*lists: tuple[int, list[Wanted]]) -> list[tuple[int, str, int, int | None]]:
    ids, stored = count(1), list[Span]()
    for now, wanted in lists:
        stored = _apply(stored, wanted, now, ids)
    return sorted((one.vehicle_id, one.gateway, one.start, one.end) for one in stored)


def test_a_first_fitting_without_a_start_was_there_for_ever():
    assert _life((10, [Wanted(1, "a")])) == [(1, "a", EVER, None)]


def test_the_same_list_again_changes_nothing():
    assert _life((10, [Wanted(1, "a")]), (20, [Wanted(1, "a")])) == [(1, "a", EVER, None)]


def test_a_gateway_that_moves_ends_in_the_one_and_starts_in_the_other():
    moved = _life((10, [Wanted(1, "a")]), (20, [Wanted(2, "a", start=15)]))
    assert moved == [(1, "a", EVER, 15), (2, "a", 15, None)]
    changes = refit([Span(1, "a", EVER, None, 1)], [Wanted(2, "a", 15)], 20)
    assert changes.taken_from == {1}
    assert changes.gateways == {"a"}


def test_two_vehicles_swap_gateways():
    before = (10, [Wanted(1, "a"), Wanted(2, "b")])
    after = (20, [Wanted(1, "b", 20), Wanted(2, "a", 20)])
    assert _life(before, after) == [
        (1, "a", EVER, 20), (1, "b", 20, None), (2, "a", 20, None), (2, "b", EVER, 20),
    ]  # fmt: skip


def test_a_gateway_taken_out_ends_now():
    assert _life((10, [Wanted(1, "a")]), (20, [Wanted(1, None)])) == [(1, "a", EVER, 20)]


def test_a_start_inside_an_ended_fitting_elsewhere_is_named_and_not_decided():
    stored = [Span(1, "a", 0, 50, 1)]
    changes = refit(stored, [Wanted(2, "a", start=40)], 60)
    assert [(one.vehicle_id, other.vehicle_id) for one, other in changes.overlaps] == [(1, 2)]


def test_a_wrong_move_is_taken_back_by_the_list_as_it_was_before():
    right = [Wanted(1, "a", 5), Wanted(2, "b", 7)]
    wrong = [Wanted(1, None), Wanted(2, "a", 15)]
    first = _life((10, right))
    assert _life((10, right), (20, wrong)) == [
        (1, "a", 5, 15), (2, "a", 15, None), (2, "b", 7, 15)
    ]  # fmt: skip
    assert _life((10, right), (20, wrong), (30, right)) == first
    assert _life((10, right), (20, wrong), (30, right[::-1])) == first


def test_a_fitting_between_that_has_ended_is_not_taken_back_in_silence():
    stored = [Span(1, "a", 0, 10, 1), Span(1, "b", 10, 20, 2), Span(1, "c", 20, None, 3)]
    changes = refit(stored, [Wanted(1, "a", 0)], 30)
    assert [(one.gateway, other.gateway) for one, other in changes.overlaps] == [("a", "b")]


_times = st.one_of(st.none(), st.integers(0, 100))


@st.composite
def _lists(draw: st.DrawFn) -> list[Wanted]:
    """A list names a vehicle once; its spans run forwards."""
    found = []
    for vehicle in draw(st.sets(st.integers(1, 3), min_size=1)):
        start, end = draw(_times), draw(_times)
        if start is not None and end is not None and start >= end:
            end = None
        if start is None:
            end = None
        found.append(Wanted(vehicle, draw(st.sampled_from([None, "a", "b"])), start, end))
    return found


@given(st.lists(_lists(), max_size=6))
def test_no_gateway_sits_in_two_vehicles_and_no_vehicle_has_two(lists: list[list[Wanted]]):
    ids, stored = count(1), list[Span]()
    for number, wanted in enumerate(lists, start=1):
        stored = _apply(stored, wanted, 20 * number, ids)
        for of in (lambda one: one.gateway, lambda one: one.vehicle_id):
            for name in {of(one) for one in stored}:
                spans = sorted(
                    (one for one in stored if of(one) == name), key=lambda one: one.start
                )
                for one, other in pairwise(spans):
                    assert one.end is not None
                    assert one.end <= other.start
        assert all(one.end is None or one.start < one.end for one in stored)
