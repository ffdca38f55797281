"""Sortings: from how many, how many, which ones; what inspections show, and what that allows."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from typing import Any

import pytest

from api_tests.cases import decide, frozen, load_with_slack, together, told
from api_tests.plant import (
    Json,
    Station,
    differences,
    dryer,
    facts,
    lot_of,
    motor,
    reasons,
    recorded,
    serial_of,
)
from api_tests.servers import SQLiteStores

S1, S2 = (lot_of("SCREW", code) for code in ("S1", "S2"))
BEGINNING = "2026-03-01T00:00:00Z"


@pytest.fixture(autouse=True)
def rebuilt(station: Station, store_url: str, sqlite_stores: SQLiteStores) -> Iterator[None]:  # noqa: ARG001
    """In the end the journal gives the books as they are."""
    yield
    assert differences(store_url, sqlite_stores.migrated()) == []


def sort(station: Station, code: str = "Z1", **said: Any) -> Json:
    """A sorting of a case; the fact of it."""
    response = station.post("sortings", **{"case": "C1", "sorting": code, "rule": "all", **said})
    (fact,) = facts(recorded(response), "sorting drawn")
    return fact


def inspect(station: Station, item: Json, good: bool = True, sorting: str = "Z1", **said: Any) -> None:
    """Something drawn is inspected."""
    recorded(station.post("inspections", case="C1", sorting=sorting, item=item, good=good, **said))


def second_models(station: Station, count: int) -> list[str]:
    """Dryers of the second model are started."""
    head: Json = {"kind": "unit-start", "mode": "ask", "scan_point": "L-10", "part": "DRYER-2"}
    answers = together(station, *(station.says(**head) for _ in range(count)))
    return [one["answer"]["unit"]["serial"] for one in answers]


def drawn_by_hand(seed: str, names: list[str], count: int) -> list[str]:
    """The first ones in order of the SHA-256 of seed, line feed and name, as the documentation says."""
    return sorted(names, key=lambda name: sha256(f"{seed}\n{name}".encode()).hexdigest())[:count]


def test_how_many_are_drawn_and_which(station: Station) -> None:
    serials = second_models(station, 100)
    recorded(station.start("D-OTHER"))
    frozen(station, worked=[{"scan_point": "L-10", "from": BEGINNING}])
    names = [f"DRYER-2 {serial}" for serial in serials]

    def names_of(fact: Json) -> list[str]:
        return [f"{item['part']} {item['serial']}" for item in fact["drawn"]]

    # Zero failures at 95 % confidence of 95 % good: 59 (success run, ln 0.05 / ln 0.95 = 58.4).
    success = sort(station, "Z1", listed="certain", part="DRYER-2", rule="success run", fraction=0.05)
    assert (success["population"], len(success["drawn"])) == (100, 59)
    assert names_of(success) == drawn_by_hand(success["seed"], names, 59)
    # Of 100 with 5 bad, 45 draws without putting back miss all with C(95, 45) / C(100, 45) = 4.8 %, 44 with 5.3 %.
    finite = {"listed": "certain", "part": "DRYER-2", "rule": "hypergeometric", "fraction": 0.05}
    fact = sort(station, "Z2", seed="seed of a test", **finite)
    assert (fact["population"], len(fact["drawn"]), fact["seed"]) == (100, 45, "seed of a test")
    assert names_of(fact) == drawn_by_hand("seed of a test", names, 45)
    assert names_of(sort(station, "Z3", seed="seed of a test", **finite)) == names_of(fact)
    # A success run never takes more than there are: 299 for 1 %.
    assert len(sort(station, "Z4", listed="certain", rule="success run")["drawn"]) == 101
    assert len(sort(station, "Z5", listed="certain")["drawn"]) == 101
    again: Json = {"case": "C1", "rule": "all"}
    assert reasons(station.post("sortings", sorting="Z5", listed="certain", **again)) == ["sorting-known"]
    assert reasons(station.post("sortings", sorting="Z6", listed="possible", **again)) == ["nothing-to-sort"]
    for wrong in ({}, {"listed": "certain", "clean": {"part": "DRYER", "from": BEGINNING}}, {"listed": "perhaps"}):
        assert station.post("sortings", sorting="Z6", **again, **wrong).status_code == 422


def test_only_what_was_drawn_is_inspected_and_the_last_inspection_counts(station: Station) -> None:
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))
    frozen(station, items=[motor("M-D1"), motor("M-D2")])
    assert {item["serial"] for item in sort(station, listed="certain")["drawn"]} == {"D1", "D2"}
    other = {"case": "C1", "sorting": "Z1", "good": True}
    for item in (dryer("D3"), motor("M-D1"), dryer("D9")):
        assert reasons(station.post("inspections", item=item, **other)) == ["not-drawn"]
    assert reasons(station.post("inspections", item=dryer("D1"), **{**other, "sorting": "Z9"})) == ["unknown-sorting"]
    missing = station.post("inspections", item=dryer("D1"), attachments=["0" * 64], **other)
    assert reasons(missing) == ["unknown-attachment"]
    inspect(station, dryer("D1"))
    inspect(station, dryer("D1"), good=False, found="crack")
    assert reasons(decide(station, "verified good", dryer("D1"), sorting="Z1")) == ["not-verified"]
    # Told late: it was seen before the crack was.
    inspect(station, dryer("D1"), mode="tell", occurred_at=station.ago(60))
    assert reasons(decide(station, "verified good", dryer("D1"), sorting="Z1")) == ["not-verified"]
    inspect(station, dryer("D1"))
    inspect(station, dryer("D2"), good=False)
    assert reasons(decide(station, "verified good", dryer("D1"), dryer("D2"), sorting="Z1")) == ["not-verified"]
    # Verified itself, with the motor that is in it.
    recorded(decide(station, "verified good", dryer("D1"), sorting="Z1"))
    assert told(station, "held") == {"D1": False, "M-D1": False, "D2": True, "M-D2": True}
    assert sort(station, "Z2", listed="certain")["population"] == 1, "of D1 something was decided"


@pytest.fixture
def possible(station: Station, store_url: str) -> None:
    """Of some dryers' screws a few may be of a suspect lot: those taken within 25 pieces after the change."""
    load_with_slack(store_url, 25)
    recorded(station.load(S1, "L-20"))
    drawn(station, "D0")
    recorded(station.load(S2, "L-20"))
    for number in range(1, 7):
        drawn(station, f"D{number}")
    frozen(station, items=[S1])


def drawn(station: Station, serial: str) -> None:
    """A dryer takes its screws."""
    recorded(station.start(serial))
    recorded(station.marry(serial, "L-20", station.pump()))


@pytest.mark.usefixtures("possible")
def test_a_good_sample_clears_what_is_possibly_affected_and_nothing_else(station: Station) -> None:
    certainty = told(station, "certainty")
    maybe = sorted(code for code, known in certainty.items() if known == "possible")
    assert {"D1", "D2", "D3", "D4", "D5", "D6"} <= set(maybe)
    # Half of the population bad would be found with 75 %: two of seven, or of six, miss at most 1/7.
    how: Json = {"rule": "hypergeometric", "confidence": 0.7, "fraction": 0.5}
    fact = sort(station, listed="possible", part="DRYER", **how)
    assert fact["population"] == len(maybe)
    chosen = [item["serial"] for item in fact["drawn"]]
    assert 0 < len(chosen) < len(maybe)
    others = [serial for serial in maybe if serial not in chosen]
    rest = dryer(others[0])
    for serial in chosen[:-1]:
        inspect(station, dryer(serial))
    assert reasons(decide(station, "verified good", rest, sorting="Z1")) == ["not-verified"], "still open"
    inspect(station, dryer(chosen[-1]), good=False)
    assert reasons(decide(station, "verified good", rest, sorting="Z1")) == ["not-verified"], "bad"
    inspect(station, dryer(chosen[-1]))
    assert reasons(decide(station, "verified good", S1, sorting="Z1")) == ["not-verified"], "suspect itself"
    # One that became affected after the draw was not in the population.
    recorded(station.load(S1, "L-20", mode="tell"))
    recorded(station.start("D9"))
    told_late = recorded(station.marry("D9", "L-20", station.pump(), mode="tell"))
    recorded(station.load(S2, "L-20"))
    drawn(station, "D8")
    assert told(station, "certainty")["D8"] == "possible"
    assert told_late["discrepancies"]
    assert reasons(decide(station, "verified good", dryer("D8"), sorting="Z1")) == ["not-verified"]
    recorded(decide(station, "verified good", *(dryer(serial) for serial in maybe), sorting="Z1"))
    held = told(station, "held")
    assert [held[serial] for serial in maybe] == [False] * len(maybe)
    assert (held["S1"], held["D8"]) == (True, True)


@pytest.mark.usefixtures("possible")
def test_a_sample_says_nothing_of_what_was_not_in_its_population(station: Station) -> None:
    recorded(station.remove("D1", S2))
    recorded(decide(station, "rework", dryer("D1")))
    drawn_ones = sort(station, listed="possible", part="DRYER")["drawn"]
    assert {item["serial"] for item in drawn_ones} == {"D0", "D2", "D3", "D4", "D5", "D6"}
    for item in drawn_ones:
        inspect(station, item)
    again = recorded(station.marry("D1", "L-20"))
    assert (told(station, "because")["D1"], told(station, "decision")["D1"]) == (again["entry"], None)
    assert reasons(decide(station, "verified good", dryer("D1"), sorting="Z1")) == ["not-verified"]
    recorded(decide(station, "verified good", *drawn_ones, sorting="Z1"))


def test_a_clean_point_is_sorted_from_units_that_are_not_listed(station: Station) -> None:
    early = second_models(station, 3)
    begin = station.says()["occurred_at"]
    clean = second_models(station, 4)
    end = station.says()["occurred_at"]
    second_models(station, 1)
    suspect = clean.pop()
    frozen(station, items=[serial_of("DRYER-2", early[0]), serial_of("DRYER-2", suspect)])
    point = {"part": "DRYER-2", "from": begin, "to": end}
    fact = sort(station, clean=point)
    assert (fact["population"], {item["serial"] for item in fact["drawn"]}) == (3, set(clean))
    assert fact["clean"] == {name: value if name == "part" else fact["clean"][name] for name, value in point.items()}
    for serial in clean:
        inspect(station, serial_of("DRYER-2", serial))
    item = serial_of("DRYER-2", suspect)
    assert reasons(decide(station, "verified good", item, sorting="Z1")) == ["not-verified"]
    nothing = {"part": "DRYER", "from": begin}
    assert reasons(station.post("sortings", case="C1", sorting="Z2", rule="all", clean=nothing)) == ["nothing-to-sort"]
