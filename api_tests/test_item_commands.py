"""`partkin where` and `partkin history`: the same answers at a terminal."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable

import pytest

from api_tests.plant import Json, Station, lot_of, motor, recorded
from api_tests.questions import asked, pallet_of
from partkin import command_line

Run = Callable[..., str]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], store_url: str) -> Run:
    """Runs `partkin` with arguments on the store; what it printed, or its one line of error."""

    def run(*arguments: str) -> str:
        monkeypatch.setattr(sys, "argv", ["partkin", *arguments, "--store", store_url])
        with pytest.raises(SystemExit) as ended:
            command_line.main()
        printed = capsys.readouterr()
        if ended.value.code:
            (line,) = printed.err.splitlines()
            return line
        return printed.out

    return run


def test_where_follows_any_code_to_the_top(station: Station, run: Run) -> None:
    pallet = pallet_of(station, "D1")
    recorded(station.ship("load", pallet))
    said = run("where", "M-D1").splitlines()
    assert said[0] == "MOTOR M-D1  Motor"
    assert [line.split(" at ")[0] for line in said if line.startswith("in ")] == [
        "in DRYER D1 (packed)",
        f"in BOX {asked(station, 'where', serial='M-D1')['inside'][1]['serial']} (in work)",
        f"in PALLET {pallet['serial']} (in work)",
    ]
    assert "on shipment N1 to First shop, not despatched yet" in said
    assert json.loads(run("where", pallet["serial"], "--json")) == asked(station, "where", sscc=pallet["serial"])


def test_where_reads_labels_and_lots(station: Station, run: Run) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", "H010007"))
    assert run("where", "H010007").splitlines()[0] == "HEATER 0007 of lot H01  Heater"
    recorded(station.receive("CARTON", lot="C1", quantity=40))
    recorded(station.transfer(lot_of("CARTON", "C2"), (lot_of("CARTON", "C1"), 15)))
    said = run("where", "C1")
    assert "40 received, 0 built in, 0 disposed, 0 back to stock, 15 transferred, 0 taken out, 25 left" in said
    assert "15 pieces into CARTON lot C2" in said


def test_history_is_that_of_the_service(station: Station, run: Run) -> None:
    recorded(station.start("D1"))
    recorded(station.marry("D1", "L-10", motor("M1")))
    recorded(station.start("D2"))
    recorded(station.marry("D2", "L-10", motor("M1"), mode="tell"))
    whole = asked(station, "history", serial="M1")["items"]
    rows: list[Json] = [json.loads(line) for line in run("history", "M1", "--json").splitlines()]
    assert rows == whole
    said = run("history", "M1")
    assert "    MOTOR M1 was put into DRYER D1, position MOTOR, slot 1, at 2026-03-02 05:" in said
    assert f"    AGAINST THE BOOKS: {whole[-1]['discrepancies'][0]['detail']}" in said
    assert "M1" in run("history", "D1", "--inside")


def test_what_cannot_be_found_is_one_line(station: Station, run: Run) -> None:
    recorded(station.receive("ROTOR", serials=["X1"]))
    recorded(station.hold(motor("X1")))
    for command in ("where", "history"):
        assert run(command, "NONE") == "partkin: The books have no item serial or lot NONE."
        assert run(command, "X1").endswith("Name one with --part.")
        assert "H010009" in run(command, "H010009")
