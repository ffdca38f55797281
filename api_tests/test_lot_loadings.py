"""Lot loadings: which lot feeds which units, also when it is told late."""

from __future__ import annotations

from datetime import datetime

import pytest

from api_tests.plant import Station, facts, lot_of, married, motor, reasons, recorded


@pytest.fixture(autouse=True)
def dryers(station: Station) -> None:
    for serial in ("D1", "D2", "D3"):
        recorded(station.start(serial))


def drawn_by(station: Station, serial: str) -> list[str]:
    """The lots of the screws that a dryer draws now."""
    return [lot for lot, position, *_ in married(station.marry(serial, "L-20")) if position == "SCREWS"]


def test_units_draw_from_the_lot_that_is_loaded(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    assert drawn_by(station, "D1") == ["S1"]
    recorded(station.load(lot_of("SCREW", "S2"), "L-20"))
    assert drawn_by(station, "D2") == ["S2"]


def test_nothing_is_drawn_from_a_point_of_use_that_was_emptied(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    recorded(station.load(None, "L-20", position="SCREWS"))
    refused = station.marry("D1", "L-20")
    assert reasons(refused) == ["lot-not-loaded"]
    assert refused.json()["detail"] == (
        "No lot is loaded at L-20 for SCREWS (Screws). Here SCREWS takes SCREW (Screw)."
    )


def test_pieces_drawn_from_nothing_are_kept_as_of_an_unknown_lot(station: Station) -> None:
    told = station.marry("D1", "L-20", mode="tell")
    assert (reasons(told), married(told)) == (["lot-not-loaded"], [("?", "SCREWS", 1, 4)])


def test_a_unit_told_late_draws_from_what_was_loaded_then(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    recorded(station.load(lot_of("SCREW", "S2"), "L-20"))
    told = station.marry("D1", "L-20", occurred_at=station.ago(5), mode="tell")
    assert (reasons(told), married(told)) == ([], [("S1", "SCREWS", 1, 4)])


def test_a_loading_told_late_takes_over_what_was_drawn_until_the_next(station: Station) -> None:
    recorded(station.load(lot_of("SCREW", "S1"), "L-20"))
    loaded_at = station.clock
    assert drawn_by(station, "D1") == ["S1"]
    recorded(station.load(lot_of("SCREW", "S3"), "L-20"))
    assert drawn_by(station, "D2") == ["S3"]
    between = datetime.fromisoformat(station.ago(25))
    assert between > loaded_at
    told = station.load(lot_of("SCREW", "S2"), "L-20", occurred_at=between.isoformat(), mode="tell")
    assert reasons(told) == ["loaded-late"]
    assert "but 1 units are recorded" in told.json()["discrepancies"][0]["detail"]
    (redrawn,) = facts(told.json(), "redrawn")
    assert redrawn["lot"] == lot_of("SCREW", "S2")
    assert station.inside("D1") == [("SCREWS", 1, "S2")]
    assert station.inside("D2") == [("SCREWS", 1, "S3")]


def test_a_loading_told_late_moves_the_count_of_used_pieces(station: Station) -> None:
    for lot in ("C1", "C2"):
        recorded(station.receive("CARTON", lot=lot, quantity=1))
    recorded(station.load(lot_of("CARTON", "C1"), "L-40"))
    recorded(station.marry("D1", "L-40", mode="tell"))
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C1"))) == ["lot-exhausted"]
    recorded(station.load(lot_of("CARTON", "C2"), "L-40", occurred_at=station.ago(15), mode="tell"))
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C2"))) == ["lot-exhausted"]
    assert reasons(station.marry("D2", "RW", lot_of("CARTON", "C1"))) == []


def test_a_label_that_fits_two_parts_is_of_the_one_that_is_used_here(station: Station) -> None:
    recorded(station.receive("CARTON", lot="S001", quantity=9))
    lots = [facts(recorded(station.load("S001", point)), "loaded")[0]["lot"] for point in ("L-20", "L-40")]
    assert lots == [lot_of("SCREW", "S001"), lot_of("CARTON", "S001")]
    nowhere = station.post("holds", action="place", item="S001", reason="rust")
    assert reasons(nowhere) == ["unreadable"]
    assert nowhere.json()["detail"] == "The label may be of any of these parts: CARTON, SCREW."


def test_a_lot_is_refused_where_it_is_not_used(station: Station) -> None:
    elsewhere = station.load(lot_of("SCREW", "S1"), "L-40")
    assert reasons(elsewhere) == ["wrong-part"]
    assert elsewhere.json()["detail"] == "This is SCREW (Screw). At L-40 CARTON takes CARTON."
    assert reasons(station.load(motor("M1"), "L-20")) == ["wrong-part"]
    assert reasons(station.load(None, "L-20", position="MOTOR")) == ["wrong-part"]
    nothing = station.load(lot_of("SCREW", "S1"), "L-30")
    assert nothing.json()["detail"] == "This is SCREW (Screw). No lots are used at L-30."
