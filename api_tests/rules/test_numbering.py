"""Numbers that the plant gives: published numbers, the calendar, and what holds of every number."""

from __future__ import annotations

import random
import re
from datetime import date, timedelta
from itertools import product

import pytest
from biip.sscc import Sscc
from hypothesis import example, given
from hypothesis import strategies as st
from stdnum import damm, ean, luhn, verhoeff
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from partkin.rules.catalogue import Numbering
from partkin.rules.check_characters import SCHEMES
from partkin.rules.numbering import (
    NumbersExhausted,
    capacity,
    number,
    period,
    random_body,
    running_body,
    weak,
)


@pytest.mark.parametrize(
    ("prefix", "running", "sscc"),
    [
        # Source: GS1 syntax dictionary, lint_csum.c.
        ("1" + "2345678", 901234567, "123456789012345675"),
        # Source: GS1 General Specifications 21.0.1, figures 5.4.2-1, 6.6.5-1, 6.6.5-2, 6.6.5-6, 6.6.5-5, 6.6.5-7.
        ("3" + "9512345", 123456789, "395123451234567895"),
        ("0" + "0614141", 123456789, "006141411234567890"),
        ("3" + "9501101", 530000001, "395011015300000011"),
        ("3" + "9501101", 1300012, "395011010013000129"),
        ("0" + "0052177", 513895717, "000521775138957172"),
        ("0" + "9312345", 1, "093123450000000012"),
    ],
)
def test_published_serial_shipping_container_codes(prefix: str, running: int, sscc: str) -> None:
    # Extension digit, company prefix, serial reference: 17 digits, then the check digit.
    pallets = Numbering("pallets", "running", digits=17 - len(prefix), prefix=prefix, check="gs1-mod-10")
    assert number(pallets, period(pallets, date(2026, 3, 2)), running_body(pallets, running)) == sscc


@given(st.integers(0, 9), st.integers(10**6, 10**9 - 1), st.data())
def test_every_container_code_is_one_to_other_libraries(extension: int, company: int, data: st.DataObject) -> None:
    # Oracles: biip, python-stdnum.
    prefix = f"{extension}{company}"
    pallets = Numbering("pallets", "running", digits=17 - len(prefix), prefix=prefix, check="gs1-mod-10")
    sscc = number(pallets, "", running_body(pallets, data.draw(st.integers(1, capacity(pallets)))))
    assert Sscc.parse(sscc).payload == sscc[:-1]
    assert sscc[-1] == ean.calc_check_digit(sscc[:-1])


@pytest.mark.parametrize(
    ("day", "week"),
    [
        # Source: examples of ISO 8601, from memory: 1985-W15-5, 1994-W52-7, 1997-W01-2.
        (date(1985, 4, 12), "8515"),
        (date(1995, 1, 1), "9452"),
        (date(1996, 12, 31), "9701"),
        # A year of 53 weeks (from memory): 2020 began on a Wednesday and was a leap year.
        (date(2020, 12, 31), "2053"),
        (date(2021, 1, 3), "2053"),
        (date(2021, 1, 4), "2101"),
    ],
)
def test_published_weeks(day: date, week: str) -> None:
    assert period(Numbering("units", "running", digits=4, date="year-week"), day) == week


FORMATS = {"year": "%y", "year-month": "%y%m", "year-day": "%y%j", "date": "%y%m%d"}


@given(st.dates(date(1900, 1, 1), date(2199, 12, 31)))
@example(date(2024, 12, 30))
@example(date(2000, 2, 29))
def test_the_calendar_says_the_same(day: date) -> None:
    # Oracles: strftime; the definition of ISO 8601, by which a week belongs to the year that has its Thursday.
    for element, form in FORMATS.items():
        numbering = Numbering("units", "running", digits=4, date=element)  # type: ignore[arg-type]
        assert period(numbering, day) == day.strftime(form), element
    thursday = day + timedelta(days=3 - day.weekday())
    week = (thursday.timetuple().tm_yday - 1) // 7 + 1
    weekly = Numbering("units", "running", digits=4, date="year-week")
    assert period(weekly, day) == f"{thursday:%y}{week:02d}"
    assert period(Numbering("units", "running", digits=4), day) == ""


TAKES_LETTERS_ONLY = {name for name, scheme in SCHEMES.items() if "0" not in scheme.alphabet}
TAKES_DIGITS_ONLY = {name for name, scheme in SCHEMES.items() if "A" not in scheme.alphabet}
CHECKS = sorted(SCHEMES.keys() - {"vin"} - TAKES_LETTERS_ONLY)
"""Those that may close a number: a VIN has its check inside."""


@st.composite
def numberings(draw: st.DrawFn) -> Numbering:
    check = draw(st.sampled_from([None, *CHECKS]))
    return Numbering(
        "units",
        draw(st.sampled_from(["running", "random"])),
        digits=draw(st.integers(1, 12)),
        prefix=draw(st.none() | st.text("0123456789" if check in TAKES_DIGITS_ONLY else "0123456789FBR", max_size=4)),
        date=draw(st.sampled_from([None, "year", "year-month", "year-week", "year-day", "date"])),
        check=check,
    )


def _body(numbering: Numbering, data: st.DataObject) -> str:
    if numbering.body == "random":
        return random_body(numbering, random.Random(data.draw(st.integers())).choice)
    return running_body(numbering, data.draw(st.integers(1, capacity(numbering))))


@given(numberings(), st.data())
def test_every_number_passes_its_check(numbering: Numbering, data: st.DataObject) -> None:
    # Oracle: python-stdnum, for the schemes that it has.
    given_on = data.draw(st.dates(date(2000, 1, 1), date(2099, 12, 31)))
    whole = number(numbering, period(numbering, given_on), _body(numbering, data))
    if numbering.check is None:
        return
    length = SCHEMES[numbering.check].length
    SCHEMES[numbering.check].verify(whole[:-length], whole[-length:])
    for name, oracle in {
        "luhn": luhn,
        "verhoeff": verhoeff,
        "damm": damm,
        "iso7064-mod-11-2": mod_11_2,
        "iso7064-mod-11-10": mod_11_10,
        "iso7064-mod-37-2": mod_37_2,
        "iso7064-mod-37-36": mod_37_36,
        "iso7064-mod-97-10": mod_97_10,
    }.items():
        assert name != numbering.check or oracle.is_valid(whole), whole


@given(numberings(), st.data())
def test_other_periods_and_bodies_give_other_numbers(numbering: Numbering, data: st.DataObject) -> None:
    days = data.draw(st.lists(st.dates(date(2000, 1, 1), date(2099, 12, 31)), min_size=2, max_size=6))
    given_to = {(period(numbering, day), _body(numbering, data)) for day in days}
    numbers = {number(numbering, when, body) for when, body in given_to}
    assert len(numbers) == len(given_to)
    assert len({len(whole) for whole in numbers}) == 1


@given(numberings())
def test_a_running_number_ends_with_its_digits(numbering: Numbering) -> None:
    running = Numbering("units", "running", numbering.digits, numbering.prefix, numbering.date, numbering.check)
    assert running_body(running, 1) == "1".rjust(running.digits, "0")
    assert running_body(running, capacity(running)) == "9" * running.digits
    with pytest.raises(NumbersExhausted, match=f"numbering units has given all .* of {running.digits} digits"):
        running_body(running, capacity(running) + 1)


@pytest.mark.parametrize("check", [None, *sorted(SCHEMES)])
def test_random_bodies_are_readable_and_fit_their_check(check: str | None) -> None:
    allowed = "[0-9]" if check in TAKES_DIGITS_ONLY else "[A-Z]" if check in TAKES_LETTERS_ONLY else "[0-9A-Z]"
    two = Numbering("units", "random", digits=2, check=check)
    asked: list[str] = []

    def first_of(alphabet: str) -> str:
        asked.append(alphabet)
        return alphabet[0]

    random_body(two, first_of)
    assert capacity(two) == len(set(product(*asked)))
    for alphabet in asked:
        assert re.fullmatch(f"{allowed}+", alphabet)
        # Common practice: I, L and O are taken for 1 and 0, U for V.
        assert not set(alphabet) & set("ILOU")
    long_enough = Numbering("units", "random", digits=16, check=check)
    number(long_enough, "", random_body(long_enough, random.Random(7).choice))


@pytest.mark.parametrize(
    ("check", "enough"),
    # 32 ** 4 = 1,048,576; 22 letters ** 5 = 5,153,632; 10 ** 6.
    [(None, 4), ("iso7064-mod-37-2", 4), ("iso7064-mod-27-26", 5), ("luhn", 6)],
)
def test_a_random_body_must_be_hard_to_guess(check: str | None, enough: int) -> None:
    assert weak(Numbering("units", "random", digits=enough, check=check)) is None
    expected = weak(Numbering("units", "random", digits=enough - 1, check=check))
    assert expected is not None
    assert expected.startswith(f"{enough} or more")
    assert weak(Numbering("units", "running", digits=1, check=check)) is None
