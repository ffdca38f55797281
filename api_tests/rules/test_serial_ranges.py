"""Ranges of serial numbers: they mean exactly the numbers that are listed."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from stdnum import luhn
from stdnum.iso7064 import mod_37_36

from partkin.rules.check_characters import SCHEMES, CheckScheme
from partkin.rules.serial_ranges import Range, check_ends, compact, expand

LUHN = SCHEMES["luhn"]
MOD_37_36 = SCHEMES["iso7064-mod-37-36"]
VIN = SCHEMES["vin"]


def test_plain_numbers_by_hand() -> None:
    made = ["FB0998", "FB0999", "FB1000", "FB1002", "FB9999", "FB10000", "FC1001", "B-7X", "FB0999", "2", "1", "01"]
    assert compact(made, None) == [
        Range("1", "2", 2),
        Range("01", "01", 1),
        Range("B-7X", "B-7X", 1),
        Range("FB0998", "FB1000", 3),
        Range("FB1002", "FB1002", 1),
        Range("FB9999", "FB9999", 1),
        Range("FB10000", "FB10000", 1),
        Range("FC1001", "FC1001", 1),
    ]
    assert compact([], None) == []


def test_checked_numbers_by_hand() -> None:
    # Bodies 7992739870 to 7992739872. The first check is the published example of ISO/IEC 7812-1 (from memory):
    # 79927398713. One more in the last, doubled place of the body is two more in the sum: 79927398705, 79927398721.
    assert compact(["79927398721", "79927398705", "79927398713"], LUHN) == [Range("79927398705", "79927398721", 3)]
    # A check that is wrong stands alone, and leaves a gap.
    assert compact(["79927398721", "79927398705", "79927398714"], LUHN) == [
        Range("79927398705", "79927398705", 1),
        Range("79927398721", "79927398721", 1),
        Range("79927398714", "79927398714", 1),
    ]


def test_numbers_with_separators_and_inner_checks() -> None:
    bodies = [f"FB-26-{running:04d}" for running in range(99, 102)]
    made = [body + mod_37_36.calc_check_digit(body.replace("-", "")) for body in bodies]
    assert compact(made, MOD_37_36) == [Range(made[0], made[2], 3)]
    # Source: 49 CFR 565.15 example (from memory): 1M8GDM9AXKP042788. One more in the last place, of weight 2, makes
    # the sum 351 + 2 = 353, and 353 mod 11 = 1.
    vins = ["1M8GDM9AXKP042788", "1M8GDM9A1KP042789"]
    assert compact(vins, VIN) == [Range(vins[0], vins[1], 2)]
    assert expand(Range(vins[0], vins[1], 2), VIN) == vins
    assert check_ends(vins[0], vins[1], VIN, bodies=False) == tuple(vins)
    assert check_ends("1M8GDM9AKP042788", "1M8GDM9AKP042789", VIN, bodies=True) == tuple(vins)


checks = st.sampled_from([None, *SCHEMES.values()])


@st.composite
def serials(draw: st.DrawFn, check: CheckScheme | None) -> str:
    """Mostly numbers near each other with the right check, some with a wrong one, some of another kind."""
    before = draw(st.sampled_from(["", "1", "FB", "FB2", "FB-26-"]))
    if check is VIN:
        before = before.ljust(12, "1") + "02"
    body = before + draw(st.integers(0, 30).map(str) | st.integers(990, 1010).map("{:04d}".format))
    if check is None:
        return body
    try:
        right = check.compute(check.without_separators(body))
    except ValueError:
        return body
    written = draw(st.sampled_from([right] * 8 + ["0" * check.length]))
    return body[:8] + written + body[8:] if check is VIN else body + written


@given(st.data(), checks)
def test_ranges_have_every_number_once_and_no_other(data: st.DataObject, check: CheckScheme | None) -> None:
    made = data.draw(st.lists(serials(check) | st.text("019AF-*", max_size=6), max_size=40))
    ranges = compact(made, check)
    parts = [expand(part, check) for part in ranges]
    assert sorted(serial for part in parts for serial in part) == sorted(set(made))
    for part, listed in zip(ranges, parts, strict=True):
        assert (part.first, part.last, part.count) == (listed[0], listed[-1], len(listed))


@given(st.data(), checks)
def test_no_two_ranges_can_be_joined(data: st.DataObject, check: CheckScheme | None) -> None:
    made = data.draw(st.lists(serials(check), max_size=30))
    ranges = compact(made, check)
    for one, other in permutations(ranges, 2):
        assert compact([one.last, other.first], check) != [Range(one.last, other.first, 2)]
    for one in ranges:
        assert compact(reversed(expand(one, check)), check) == [one]


@given(st.integers(0, 9999), st.integers(1, 60), st.sampled_from(["", "FB", "26"]))
@example(985, 30, "FB")
def test_numbers_without_a_gap_are_one_range(start: int, count: int, before: str) -> None:
    # Oracle: python-stdnum.
    bodies = [f"{before}{running:05d}" for running in range(start, start + count)]
    checked = [body + mod_37_36.calc_check_digit(body) for body in bodies]
    assert compact(checked, MOD_37_36) == [Range(checked[0], checked[-1], count)]
    assert compact(bodies, None) == [Range(bodies[0], bodies[-1], count)]
    assert check_ends(bodies[0], bodies[-1], MOD_37_36, bodies=True) == (checked[0], checked[-1])
    assert check_ends(checked[0], checked[-1], MOD_37_36, bodies=False) == (checked[0], checked[-1])
    if before != "FB":
        with_luhn = [body + luhn.calc_check_digit(body) for body in bodies]
        assert compact(with_luhn, LUHN) == [Range(with_luhn[0], with_luhn[-1], count)]


def test_ends_without_a_scheme_stay_as_they_are() -> None:
    for bodies in (False, True):
        assert check_ends("FB0001", "FB0100", None, bodies) == ("FB0001", "FB0100")


@pytest.mark.parametrize(
    ("first", "last", "check", "bodies", "sentence"),
    [
        (
            "79927398713",
            "79927398722",
            LUHN,
            False,
            "79927398722 has the check '2' where '1' would be right: 79927398721",
        ),
        (
            "79927398712",
            "79927398721",
            LUHN,
            False,
            "79927398712 has the check '2' where '3' would be right: 79927398713",
        ),
        ("FB99", "FB100", None, False, "FB99 has 4 characters and FB100 has 5; give ends of one length"),
        ("FB99", "FB100", MOD_37_36, True, "FB99 has 4 characters and FB100 has 5; give ends of one length"),
        (
            "79927398721",
            "79927398713",
            LUHN,
            False,
            "79927398721 comes after 79927398713; give the first serial number first",
        ),
        (
            "7992739872",
            "7992739871",
            LUHN,
            True,
            "7992739872 comes after 7992739871; give the first serial number first",
        ),
        ("FB01", "FB02", LUHN, True, "FB01 cannot have a check: 'F' at place 1 is not in the alphabet of luhn"),
        ("1M8G", "1M8H", VIN, True, "1M8G cannot have a check: vin takes 16 characters before its check, not 4"),
    ],
)
def test_ends_that_cannot_be_are_refused(
    first: str, last: str, check: CheckScheme | None, bodies: bool, sentence: str
) -> None:
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        check_ends(first, last, check, bodies)
