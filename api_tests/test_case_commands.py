"""`partkin case`, `partkin cases` and `partkin drill`: what the service does and tells, at a terminal."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest

from api_tests.cases import despatch, things
from api_tests.plant import Station, dryer, motor, recorded
from api_tests.questions import asked
from partkin import command_line

Run = Callable[..., str]
BY = ("--operator", "QE-07")
COMMANDS = ("show", "things", "list", "open", "freeze", "close", "reopen", "decide", "sort", "inspect", "notify")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], store_url: str) -> Run:
    """Runs `partkin` with arguments on the store; what it printed, or its one line of error."""

    def run(*arguments: object) -> str:
        monkeypatch.setattr(sys, "argv", ["partkin", *map(str, arguments), "--store", store_url])
        with pytest.raises(SystemExit) as ended:
            command_line.main()
        printed = capsys.readouterr()
        if ended.value.code:
            (line,) = printed.err.splitlines()
            return line
        return printed.out

    return run


def test_help_is_short_and_has_an_example(run: Run) -> None:
    for command in (*(f"case {name}" for name in COMMANDS), "cases", "drill", "drills"):
        said = run(*command.split(), "--help")
        assert f"  partkin {command}" in said.partition("Examples:")[2], command
        assert len(said.splitlines()) <= 50, command


def build(station: Station, *serials: str) -> None:
    """Dryers are started and get motor M-…."""
    for serial in serials:
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))


def test_a_case_goes_its_way_at_a_terminal(station: Station, run: Run) -> None:
    build(station, "D1", "D2")
    why = ("--reason", "letter of 4 March")
    opened = run("case", "open", "C1", "--title", "cracked", *why, *BY, "--serial", "MOTOR", "M-D1")
    assert "partkin case freeze C1" in opened
    said = run("case", "freeze", "C1", *BY)
    assert "revision 1, 2 things" in said
    assert set(things(station)) == {"D1", "M-D1"}
    lines = run("case", "list", "C1")
    assert sha256(lines.encode()).hexdigest() in said
    said = run("case", "sort", "C1", "SO-1", "--listed", "certain", "--rule", "all", *BY)
    assert said.splitlines()[1:] == ["DRYER D1"]
    assert run("case", "inspect", "C1", "SO-1", "D1", "--good", *BY) == "D1: good.\n"
    refused = run("case", "close", "C1", "--reason", "well", *BY)
    assert refused.startswith("partkin: nothing was recorded: Nothing was decided")
    assert "DRYER serial D1, MOTOR serial M-D1" in refused
    rights = ("--authority", "MRB", "--reason", "looked at", *BY)
    assert "2 things of" in run("case", "decide", "C1", "verified good", "D1", "--sorting", "SO-1", *rights)
    conceded = ("--concession", "K-7", "--signed-by", "B9")
    assert "1 thing of" in run("case", "decide", "C1", "use as is", "M-D1", *conceded, *rights)
    assert run("case", "close", "C1", "--reason", "well", *BY) == "Case C1 is closed.\n"
    assert run("case", "reopen", "C1", "--reason", "ill", *BY) == "Case C1 is frozen again.\n"
    told = asked(station, "cases/C1")
    assert (told["status"], told["decisions"]) == ("frozen", {"verified good": 1, "use as is": 1})
    assert json.loads(run("case", "show", "C1", "--json")) == told
    shown = run("case", "show", "C1")
    for word in ("C1: cracked", "M-D1", "revision 1", told["revisions"][0]["sha256"], "All 1 units were inspected"):
        assert word in shown
    assert "Nothing speaks against closing it." in shown


def test_suspects_come_from_options_or_a_file(station: Station, run: Run, tmp_path: Path) -> None:
    build(station, "D1", "D2", "D3")
    file = tmp_path / "suspects.json"
    file.write_text(json.dumps({"all_of": [{"items": [motor("M-D1")]}]}))
    why = ("--title", "cracked", "--reason", "a letter", *BY)
    assert "name what is suspected" in run("case", "open", "C1", *why)
    assert "all that is suspected" in run("case", "open", "C1", *why, "--criteria", file, "--serial", "MOTOR", "M-D2")
    assert "MOTOR serial M-D9" in run("case", "open", "C1", *why, "--serial", "MOTOR", "M-D9")
    run("case", "open", "C1", *why, "--criteria", file)
    run("case", "freeze", "C1", *BY)
    assert set(things(station)) == {"D1", "M-D1"}
    run("case", "freeze", "C1", *BY, "--serial", "MOTOR", "M-D2", "--reason", "another")
    assert "2 things" in run("case", "freeze", "C1", *BY)
    all_things = tmp_path / "things.csv"
    run("case", "things", "C1", "--csv", all_things)
    with all_things.open(newline="") as opened:
        rows = {row["serial"]: row["dropped_in"] for row in csv.DictReader(opened)}
    assert rows == {"D1": "2", "M-D1": "2", "D2": "", "M-D2": ""}
    assert json.loads(run("case", "things", "C1", "--json")) == asked(station, "cases/C1/things")["items"]
    assert "dropped" in run("case", "things", "C1")
    for question in (("show",), ("things",), ("list",), ("freeze", *BY)):
        assert "There is no case C9." in run("case", question[0], "C9", *question[1:])
    assert "no revision 7" in run("case", "list", "C1", "--revision", 7)
    assert run("cases").splitlines()[1].split()[:4] == ["C1", "frozen", "3", "2"]
    assert json.loads(run("cases", "--json", "--status", "closed")) == []


def test_consignees_are_told_at_a_terminal(station: Station, run: Run) -> None:
    station.load_lots()
    despatch(station, station.make_ready("D1"))
    run("case", "open", "C1", "--title", "cracked", "--reason", "a letter", *BY, "--serial", "MOTOR", "M-D1")
    run("case", "freeze", "C1", *BY)
    assert "due" in run("case", "show", "C1")
    assert run("case", "notify", "C1", "sent", "SHOP-1", "--how", "letter", *BY) == "sent: SHOP-1\n"
    assert "SHOP-2" in run("case", "notify", "C1", "sent", "SHOP-2", "--how", "letter", *BY)
    assert run("case", "notify", "C1", "plan", "--level", "A", *BY) == "to check: SHOP-1\n"
    run("case", "notify", "C1", "answered", "SHOP-1", "--on-hand", 0, "--corrected", 1, *BY)
    run("case", "notify", "C1", "checked", "SHOP-1", "--not-effective", *BY)
    (shop,) = asked(station, "cases/C1")["notices"]
    assert (shop["answered"]["corrected"], shop["checked"]["effective"]) == (1, False)
    assert "nothing was recorded" in run("case", "notify", "C1", "checked", "SHOP-1", *BY)


def test_a_drill_is_run_at_a_terminal(station: Station, run: Run) -> None:
    assert "nothing to rehearse with" in run("drill", *BY)
    build(station, "D1")
    said = run("drill", "--part", "MOTOR", "--seed", "fair and square", *BY)
    assert "Drawn: MOTOR M-D1 (seed fair and square). Nothing was stopped." in said
    assert "1 units certainly and 0 possibly affected" in said
    assert "4 h" in said
    (told,) = asked(station, "drills")["items"]
    assert json.loads(run("drills", "--json")) == [told]
    assert "MOTOR M-D1" in run("drills")
    assert station.clearance(dryer("D1"))["state"] == "in work"
    assert asked(station, "holds")["items"] == []
