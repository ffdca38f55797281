"""Which draws near a lot change may be of the other lot. Law 6; common practice: slack is stated in pieces a side."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from partkin.rules.certainty import Draw, LotChange, lot_changes, other_lots
from partkin.rules.moments import FOREVER
from partkin.rules.rows import LoadingRow

A, B, C = 1, 2, 3


def loadings(*steps: tuple[int, int | None], point: int = 7) -> list[LoadingRow]:
    """A timeline: the lot that was loaded at each moment."""
    ends = [at for at, _ in steps[1:]] + [FOREVER]
    return [
        LoadingRow(number, point, lot, at, end) for number, ((at, lot), end) in enumerate(zip(steps, ends, strict=True))
    ]


def test_one_lot_after_another_is_a_change() -> None:
    assert list(lot_changes(loadings((0, A), (10, B), (20, C)))) == [LotChange(7, 10, A, B), LotChange(7, 20, B, C)]


def test_nothing_changes_where_a_point_of_use_was_empty_in_between() -> None:
    assert not list(lot_changes(loadings((0, None), (5, A), (10, None), (20, B))))


def test_the_same_lot_again_is_no_change() -> None:
    assert list(lot_changes(loadings((0, A), (10, A), (20, B)))) == [LotChange(7, 20, A, B)]


def test_a_loading_that_lasted_no_time_is_none() -> None:
    assert list(lot_changes(loadings((0, A), (10, C), (10, B)))) == [LotChange(7, 10, A, B)]
    assert list(lot_changes(loadings((0, A), (10, None), (10, B)))) == [LotChange(7, 10, A, B)]


def test_parts_of_timelines_that_do_not_touch_are_not_joined() -> None:
    first, _, last = loadings((0, A), (10, B), (20, C))
    elsewhere = loadings((10, B), point=8)
    assert not list(lot_changes([last, *elsewhere, first]))


def test_slack_is_counted_in_pieces_on_each_side() -> None:
    before = [Draw(16, 4), Draw(15, 4), Draw(14, 4)]
    after = [Draw(17, 1), Draw(18, 3), Draw(19, 4)]
    change = LotChange(7, 10, A, B)
    assert list(other_lots(change, before, after, 5)) == [(16, B), (15, B), (17, A), (18, A), (19, A)]
    assert list(other_lots(change, before, after, 4)) == [(16, B), (17, A), (18, A)]
    assert not list(other_lots(change, before, after, 0))


@given(st.lists(st.integers(1, 5)), st.integers(0, 12))
def test_a_draw_is_in_doubt_exactly_where_fewer_pieces_than_the_slack_lie_between(
    pieces: list[int], slack: int
) -> None:
    draws = [Draw(number, count) for number, count in enumerate(pieces)]
    between = [sum(pieces[:number]) for number in range(len(pieces))]
    doubted = [marriage for marriage, _ in other_lots(LotChange(7, 10, A, B), (), draws, slack)]
    assert doubted == [number for number, count in enumerate(between) if count < slack]
