"""Numbers that are issued: at the start of a unit, for packaging that is begun, in blocks; none of them twice.

Check characters are computed with python-stdnum. Weeks: ISO 8601, by which 1 January 2021 is in week 53 of 2020.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import httpx2
import pytest
from stdnum import ean, luhn
from stdnum.iso7064 import mod_37_36

from api_tests.plant import CATALOGUE, Json, Station, differences, dryer, facts, motor, reasons, recorded, serial_of
from partkin.actions.load_catalogue import load_catalogue
from partkin.rules.catalogue import Catalogue, CatalogueRow, Numbering, Part
from partkin.rules.catalogue.tables import KINDS, catalogue_of, rows_of
from partkin.store.database import Database

NUMBERINGS = [
    Numbering("YEAR", "running", 3, prefix="Y", date="year"),
    Numbering("MONTH", "running", 3, prefix="M", date="year-month"),
    Numbering("WEEK", "running", 3, prefix="W", date="year-week"),
    Numbering("DAY", "running", 3, prefix="J", date="year-day"),
    Numbering("DATE", "running", 3, prefix="T", date="date"),
    Numbering("RANDOM", "random", 6, prefix="R", check="iso7064-mod-37-36"),
    Numbering("DIGITS", "random", 7, check="luhn"),
    Numbering("FEW", "running", 1, prefix="F"),
    Numbering("FEWER", "random", 1, prefix="E"),
]


def catalogue() -> Catalogue:
    """The test plant, with a part for each of these schemes, called as the scheme is."""
    rows: list[CatalogueRow] = [row for kind in KINDS.values() for row in rows_of(CATALOGUE, kind)]
    rows += NUMBERINGS
    rows += [
        Part(scheme.scheme, "Numbered", "serial", made=True, sold=False, numbering=scheme.scheme)
        for scheme in NUMBERINGS
    ]
    return catalogue_of(rows)


@pytest.fixture
def station(service: httpx2.Client, store_url: str) -> Station:
    database = Database(store_url)
    load_catalogue(database, catalogue(), operator="B1", now=0)
    database.close()
    return Station(service)


def block(station: Station, part: str, count: int, **said: object) -> list[str]:
    """The numbers of a block."""
    answer = recorded(station.post("number-blocks", part=part, count=count, reason="line goes offline", **said))
    (issued,) = facts(answer, "numbers issued")
    return list(issued["numbers"])


def started(station: Station, part: str = "DRYER", **said: object) -> str:
    """The number under which a unit starts."""
    answer = recorded(station.post("units", **{"scan_point": "L-10", "part": part, **said}))
    return str(answer["unit"]["serial"])


# -- running numbers


def test_starts_and_blocks_go_on_where_the_other_ended(station: Station) -> None:
    assert started(station) == "D0001"
    assert block(station, "DRYER", 3) == ["D0002", "D0003", "D0004"]
    assert started(station) == "D0005"


def test_parts_of_one_scheme_never_bear_the_same_number(station: Station) -> None:
    recorded(station.start("D0002", "DRYER-2", scan_point="L-10"))
    assert [started(station), started(station, "DRYER-2")] == ["D0001", "D0003"]
    assert block(station, "DRYER-2", 2) == ["D0004", "D0005"]
    assert started(station) == "D0006"


def test_a_unit_starts_under_a_number_of_its_block(station: Station) -> None:
    (number,) = block(station, "DRYER", 1)
    recorded(station.start(number))
    assert reasons(station.start(number)) == ["already-started"]
    assert started(station) == "D0002"


def test_boxes_and_pallets_get_serial_shipping_container_codes(station: Station) -> None:
    """GS1 General Specifications: 18 digits, the check digit as in all GS1 keys."""
    boxes = [station.box(station.second_model()) for _ in range(2)]
    codes = [box["serial"] for box in (*boxes, station.pallet(*boxes))]
    assert [code[:-1] for code in codes] == [f"09521234{number:09}" for number in (1, 2, 3)]
    assert [code[-1] for code in codes] == [ean.calc_check_digit(code[:-1]) for code in codes]


def test_the_date_in_a_number_is_that_of_the_stations_calendar(station: Station) -> None:
    """2020 was a leap year; in UTC this is the next year already, but of the same week."""
    late = "2020-12-31T23:30:00-05:00"
    numbers = {part: block(station, part, 1, occurred_at=late) for part in ("YEAR", "MONTH", "WEEK", "DAY", "DATE")}
    assert numbers == {
        "YEAR": ["Y20001"],
        "MONTH": ["M2012001"],
        "WEEK": ["W2053001"],
        "DAY": ["J20366001"],
        "DATE": ["T201231001"],
    }


@pytest.mark.parametrize(
    ("part", "last_day", "next_day"),
    [
        ("YEAR", "2025-12-31", "2026-01-01"),
        ("MONTH", "2025-11-30", "2025-12-01"),
        ("WEEK", "2021-01-03", "2021-01-04"),
        ("DAY", "2025-11-15", "2025-11-16"),
        ("DATE", "2025-11-15", "2025-11-16"),
    ],
)
def test_running_numbers_begin_anew_in_each_period(station: Station, part: str, last_day: str, next_day: str) -> None:
    """Also where a station tells late of the one before: that goes on where it was."""

    def ends(day: str, count: int) -> list[str]:
        return [number[-3:] for number in block(station, part, count, occurred_at=f"{day}T12:00:00Z")]

    assert [ends(last_day, 2), ends(next_day, 1), ends(last_day, 1), ends(next_day, 1)] == [
        ["001", "002"],
        ["001"],
        ["003"],
        ["002"],
    ]


def test_a_week_of_two_years_is_one_period(station: Station) -> None:
    numbers = [block(station, "WEEK", 1, occurred_at=f"{day}T12:00:00Z") for day in ("2020-12-31", "2021-01-03")]
    assert numbers == [["W2053001"], ["W2053002"]]
    assert block(station, "WEEK", 1, occurred_at="2021-01-04T12:00:00Z") == ["W2101001"]


# -- random numbers


def test_random_numbers_are_all_different_and_end_in_their_check(station: Station) -> None:
    """Letters that look like digits, or like each other, are left out (common practice)."""
    numbers = [number for _ in range(3) for number in block(station, "RANDOM", 1000)]
    assert len(set(numbers)) == 3000
    assert all(mod_37_36.is_valid(number) for number in numbers)
    bodies = [number[1:-1] for number in numbers]
    assert {len(body) for body in bodies} == {6}
    assert set("".join(bodies)) == set("0123456789ABCDEFGHJKMNPQRSTVWXYZ")
    assert sorted(numbers) != numbers


def test_a_check_of_digits_makes_random_numbers_of_digits(station: Station) -> None:
    numbers = block(station, "DIGITS", 100)
    assert all(number.isdigit() and len(number) == 8 and luhn.is_valid(number) for number in numbers)


# -- the end of a scheme


def test_a_scheme_ends_with_its_last_number(station: Station) -> None:
    assert block(station, "FEW", 5) == ["F1", "F2", "F3", "F4", "F5"]
    refused = station.post("number-blocks", part="FEW", count=5, reason="ahead")
    assert reasons(refused) == ["numbers-exhausted"]
    assert refused.json()["detail"] == "Numbering FEW has only 4 numbers left: let it have more digits."
    assert block(station, "FEW", 4) == ["F6", "F7", "F8", "F9"]
    assert reasons(station.post("number-blocks", part="FEW", count=1, reason="ahead")) == ["numbers-exhausted"]


def test_a_scheme_of_random_numbers_ends_when_all_are_given(station: Station) -> None:
    numbers = {number for count in (20, 11, 1) for number in block(station, "FEWER", count)}
    assert len(numbers) == 32
    assert reasons(station.post("number-blocks", part="FEWER", count=1, reason="ahead")) == ["numbers-exhausted"]


def test_nothing_is_issued_where_there_is_no_scheme(station: Station) -> None:
    assert reasons(station.post("number-blocks", part="MOTOR", count=1, reason="ahead")) == ["unreadable"]
    assert reasons(station.post("number-blocks", part="NO-PART", count=1, reason="ahead")) == ["unknown-part"]
    assert reasons(station.post("number-blocks", part="DRYER", count=1, reason="x", scan_point="NO")) == [
        "unknown-scan-point"
    ]


# -- what nobody may disturb


def test_a_message_that_comes_again_gets_the_same_numbers(station: Station) -> None:
    said = station.says(part="DRYER", count=2, reason="ahead")
    first, again = (recorded(station.client.post("/v1/number-blocks", json=said)) for _ in range(2))
    assert first == again
    assert started(station) == "D0003"


def test_what_is_refused_uses_no_number(station: Station) -> None:
    assert reasons(station.post("units", scan_point="L-20", part="DRYER")) == ["out-of-route-order"]
    assert started(station) == "D0001"


def test_messages_that_come_together_get_numbers_of_their_own(station: Station) -> None:
    """One of them names the unit D0001, which nobody started: it is in the books from then on."""
    start = {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER"}
    unknown = {"kind": "marriage", "scan_point": "RW", "mode": "tell", "unit": dryer("D0001")}
    together: list[Json] = [
        {**unknown, "components": [{"item": motor("M1")}]},
        {**start, "serial": "D0003"},
        start,
        {"kind": "number-block", "part": "DRYER-2", "count": 2, "reason": "ahead"},
        start,
    ]
    lines = "".join(json.dumps(station.says(**said)) + "\n" for said in together)
    response = station.client.post("/v1/messages", content=lines, headers={"Content-Type": "application/x-ndjson"})
    answers: list[Json] = [json.loads(line)["answer"] for line in response.text.splitlines()]
    issued = [number for answer in answers for fact in facts(answer, "numbers issued") for number in fact["numbers"]]
    assert issued == ["D0002", "D0004", "D0005", "D0006"]


def test_numbers_taken_long_before_are_passed_over(station: Station) -> None:
    start = {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER-2"}
    lines = "".join(json.dumps(station.says(**start, serial=f"D{number:04}")) + "\n" for number in range(1, 400))
    station.client.post("/v1/messages", content=lines, headers={"Content-Type": "application/x-ndjson"})
    assert started(station) == "D0400"


def test_books_keep_what_was_issued(station: Station, store_url: str, new_store: Callable[[], str]) -> None:
    block(station, "RANDOM", 10)
    block(station, "DATE", 10)
    recorded(station.start(block(station, "DRYER", 2)[1]))
    station.pallet(station.box(serial_of("DRYER-2", started(station, "DRYER-2"))))
    assert differences(store_url, new_store()) == []
