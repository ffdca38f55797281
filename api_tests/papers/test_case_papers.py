"""The papers of a case, read back with general libraries and reckoned anew from the plain questions."""

from __future__ import annotations

import csv
import json
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import date
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import openpyxl
import pypdfium2  # type: ignore[import-untyped]
import pypdfium2.raw as pdfium  # type: ignore[import-untyped]
import pytest

from api_tests.papers.readers import text_of
from api_tests.plant import Json, Station, dryer, lot_of, motor, recorded
from api_tests.questions import asked
from partkin import command_line

S1, S2, S3, K1 = (lot_of("SCREW", code) for code in ("S1", "S2", "S3", "K1"))
CASE = "CC-26/4"
"""A code that must be quoted in an address, and in a file's name."""
HAZARD = "Thread lock cracks; the cover may come off while the drum turns."


@pytest.fixture
def plant(station: Station) -> Station:
    """D0101 to D0103 and D0106 have screws of S1, D0104 and D0105 of a container of S1 and S2, D0107 of S2.

    D0101 and D0102 went in one box to the first shop, D0104 to the second, D0102 came back; D0103 was scrapped, and
    D0106 is not finished.
    """
    recorded(station.receive("CARTON", lot="C1", quantity=100))
    recorded(station.load(lot_of("CARTON", "C1"), "L-40"))
    recorded(station.receive("SCREW", lot="S1", quantity=100, delivery_note="LS-77"))
    recorded(station.receive("SCREW", lot="S2", quantity=100))
    recorded(station.transfer(K1, (S1, 10), (S2, 10)))
    for lot, *serials in ((S1, "D0101", "D0102", "D0103"), (K1, "D0104", "D0105"), (S2, "D0107")):
        recorded(station.load(lot, "L-20"))
        for serial in serials:
            station.make_ready(serial)
    recorded(station.load(S1, "L-20"))
    station.complete("D0106")
    recorded(station.load(S2, "L-20"))
    for shipment, consignee, *contents in (
        ("N1", "SHOP-1", station.box(dryer("D0101"), dryer("D0102"))),
        ("N2", "SHOP-2", dryer("D0104"), dryer("D0107")),
    ):
        recorded(station.ship("load", *contents, shipment=shipment, consignee=consignee))
        recorded(station.ship("despatch", shipment=shipment, delivery_note=f"DN-{shipment}"))
    recorded(station.take_back(dryer("D0102"), consignee="SHOP-1"))
    return station


def opened(station: Station, *items: Json, **said: Any) -> None:
    suspects = {"items": list(items)}
    told = {"title": "thread lock cracks", "reason": "the supplier said so", "case": CASE, **said}
    recorded(station.post("cases", action="open", suspects=suspects, **told))


@pytest.fixture
def case(plant: Station) -> Station:
    """The case of lot S1: frozen, one dryer added since, sorted, decided, told and checked."""
    opened(plant, S1, hazard=HAZARD, action_asked="Stop using the dryer.")
    recorded(plant.post("cases", action="freeze", case=CASE))
    recorded(plant.start("D0108"))
    recorded(plant.load(S1, "L-20", mode="tell"))
    recorded(plant.marry("D0108", "L-20", plant.pump(), mode="tell"))
    recorded(plant.post("stock-counts", lot=S1, quantity=68))
    drawn = {"listed": "possible", "rule": "all", "seed": "3f9a6c1b77"}
    recorded(plant.post("sortings", case=CASE, sorting="SO-1", **drawn))
    for serial in ("D0104", "D0105"):
        recorded(plant.post("inspections", case=CASE, sorting="SO-1", item=dryer(serial), good=True))
    board = {"case": CASE, "authority": "material review board", "reason": "looked at"}
    recorded(plant.post("case-decisions", items=[dryer("D0105")], decision="verified good", sorting="SO-1", **board))
    recorded(plant.post("case-decisions", items=[dryer("D0103")], decision="scrap", **board))
    recorded(plant.dispose(dryer("D0103"), "scrap"))
    recorded(plant.post("notices", case=CASE, action="plan", level="B", share=0.5, seed="3f9a6c1b77"))
    for step in ({"action": "sent", "how": "letter"}, {"action": "answered", "on_hand": 1, "corrected": 0}):
        recorded(plant.post("notices", case=CASE, consignee="SHOP-1", **step))
    return plant


def address(paper: str = "") -> str:
    return f"/v1/cases/CC-26%2F4/papers{paper}"


def paper(station: Station, name: str) -> bytes:
    response = station.client.get(address(f"/{name}"))
    assert response.status_code == 200, response.text
    return response.content


def affected(station: Station) -> Json:
    return dict(station.client.post("/v1/affected", json={"suspects": {"items": [S1]}}).raise_for_status().json())


def units_affected(station: Station) -> dict[str, tuple[str, str]]:
    """Serial number to certainty and state, as the plain question has it."""
    told = affected(station)
    return {row["serial"]: (name, row["state"]) for name in ("certain", "possible") for row in told[name]}


def sent(station: Station) -> dict[str, dict[str, str]]:
    """Consignee to the dryers that its despatched shipments hold, and their shipments."""
    found: dict[str, dict[str, str]] = {}
    for head in asked(station, "shipments", despatched="true")["items"]:
        content = asked(station, f"shipments/{head['shipment']}")["content"]
        units = dict.fromkeys(_units(content), head["shipment"])
        found.setdefault(head["consignee"], {}).update(units)
    return found


def _units(content: list[Json]) -> Iterator[str]:
    for node in content:
        if node["unit"]:
            yield node["serial"]
        yield from _units(node["content"])


def sheet(station: Station, name: str) -> list[dict[str, Any]]:
    """The rows of a sheet of the workbook, by the headings."""
    book = openpyxl.load_workbook(BytesIO(paper(station, "workbook.xlsx")))
    head, *rows = book[name].iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in rows]


def test_every_number_is_that_of_the_plain_questions(case: Station) -> None:
    units = units_affected(case)
    assert sorted(units) == ["D0101", "D0102", "D0103", "D0104", "D0105", "D0106", "D0108"]
    rows = sheet(case, "Units")
    assert {row["Serial number"]: (row["Certainty"], row["State"]) for row in rows} == units
    for row in rows:
        where = asked(case, "where", part="DRYER", serial=row["Serial number"])
        assert row["State"] == where["state"]
    went = {serial: (code, shipment) for code, of in sent(case).items() for serial, shipment in of.items()}
    assert {row["Serial number"]: (row["Consignee"], row["Shipment"]) for row in rows if row["Consignee"]} == {
        serial: went[serial] for serial in units if serial in went
    }
    decisions = {row["Serial number"]: row["Decision"] for row in rows if row["Decision"]}
    things = asked(case, f"cases/{CASE}/things")["items"]
    listed = {thing["serial"]: thing["decision"] for thing in things if thing["part"] == "DRYER"}
    assert decisions == {serial: said for serial, said in listed.items() if said is not None}
    assert decisions == {"D0103": "scrap", "D0105": "verified good"}
    counts = {row["What"]: row["Value"] for row in sheet(case, "Summary")}
    for state, of in affected(case)["counts"]["by_state"].items():
        for certainty, number in of.items():
            assert counts[f"Units {state}, {certainty}"] == number


def test_the_balances_are_those_of_the_lot_and_its_container(case: Station) -> None:
    names = (
        *("received", "in_units_certain", "in_units_possible", "in_containers", "scrapped", "returned"),
        *("in_analysis", "in_stock", "unaccounted"),
    )
    rows = sheet(case, "Balance")
    balances = {lot: {row["Pieces"]: row["Number"] for row in rows if row["Lot"] == lot} for lot in ("S1", "K1")}
    assert len(rows) == 2 * len(names)
    for lot, lines in balances.items():
        told = asked(case, "mass-balance", part="SCREW", lot=lot)
        assert list(lines.values()) == [told[name]["pieces"] for name in names]
    # 100 received: 5 dryers with 4 screws, 10 in the container, 68 counted; 2 are gone.
    lines = balances["S1"]
    assert (lines["received"], lines["in units (certain)"], lines["moved into containers"]) == (100, 20, 10)
    assert (lines["in stock"], lines["unaccounted"]) == (68, 2)
    uses = [(row["Lot"], row["Where"]) for row in sheet(case, "Use")]
    assert Counter(uses) == {
        ("S1", "received from S1, delivery note LS-77"): 1,
        ("S1", "L-20 SCREWS, feeder 1"): 3,
        ("K1", "L-20 SCREWS, feeder 1"): 1,
    }


def test_the_regulators_facts_and_ranges_are_those_units(case: Station) -> None:
    facts = json.loads(paper(case, "regulator.json"))
    (model,) = facts["models"]
    serials = [
        f"D{number:04}" for one in model["ranges"] for number in range(int(one["first"][1:]), int(one["last"][1:]) + 1)
    ]
    units = units_affected(case)
    assert serials == sorted(units)
    assert sum(one["units"] for one in model["ranges"]) == len(units)
    states = Counter(state for _, state in units.values())
    assert (model["made"], model["sold"], model["scrapped"]) == (len(units), states["shipped"], states["scrapped"])
    assert model["in_plant"] == len(units) - states["shipped"] - states["scrapped"]
    assert model["how_to_read"] == (
        "On the unit's own label. It begins with D, then it has a running number of 4 digits."
    )
    shown = {one["consignee"]: (one["units"], one["certain"]) for one in facts["consignees"]["list"]}
    assert shown == {"SHOP-1": (2, 2), "SHOP-2": (1, 0)}
    said = text_of(paper(case, "regulator.pdf"))
    assert HAZARD in said
    assert "D0101 D0106 6" in said


def test_each_consignee_is_told_of_what_it_was_sent(case: Station) -> None:
    units = units_affected(case)
    for consignee, of in sent(case).items():
        expected = sorted(units.keys() & of)
        rows = list(csv.DictReader(StringIO(paper(case, f"consignees/{consignee}.csv").decode(), newline="")))
        assert [row["serial"] for row in rows] == expected
        assert {row["certainty"] for row in rows} == {units[serial][0] for serial in expected}
        assert [row["delivery_note"] for row in rows] == [f"DN-{of[serial]}" for serial in expected]
        assert {row["made_on"] for row in rows} == {date(2026, 3, 2).isoformat()}
        letter = text_of(paper(case, f"consignees/{consignee}.pdf"))
        assert all(serial in letter for serial in expected)
        assert not any(serial in letter for serial in (units.keys() | {"D0107"}) - set(expected))
        assert "DRAFT" not in letter


def test_what_is_bold_stays_bold_beside_pictures(case: Station) -> None:
    """In one process, whatever it drew before: that there is danger is set in bold."""
    paper(case, "report.pdf")
    page = pypdfium2.PdfDocument(paper(case, "consignees/SHOP-1.pdf"))[0]
    texts = page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT], textpage=page.get_textpage())
    words = {one.extract().strip(): one.get_font().get_base_name() for one in texts}
    assert words["Danger."].endswith("-Bold")


def test_sortings_notices_and_the_journal_are_told(case: Station) -> None:
    (sorting,) = sheet(case, "Sorting")
    assert (sorting["Population"], sorting["To inspect"], sorting["Inspected"], sorting["Bad"]) == (2, 2, 2, 0)
    # None bad of n: 1 - (1 - C)^(1/n), NIST/SEMATECH 7.2.4.1.
    assert sorting["Upper bound"] == pytest.approx(1 - 0.05 ** (1 / 2))
    notices = {row["Consignee"]: row for row in sheet(case, "Notices")}
    assert [notices["SHOP-1"][name] for name in ("Units", "On hand", "Corrected")] == [2, 1, 0]
    assert [notices[one]["Sent on (UTC)"] is not None for one in ("SHOP-1", "SHOP-2")] == [True, False]
    planned = next(row["What"] for row in sheet(case, "Journal") if "level B" in row["What"])
    assert [one for one in notices if notices[one]["To be checked"] == "yes"] == [
        one for one in notices if one in planned
    ]
    assert sum(one in planned for one in notices) == 1
    events = sheet(case, "Journal")
    assert [event["Entry"] for event in events] == sorted(event["Entry"] for event in events)
    for event in events:
        entry = asked(case, f"entries/{event['Entry']}")
        assert entry["message"]["case"] == CASE
    assert "So were 1 more, up to entry" in " ".join(event["What"] for event in events)
    added = {row["Item"]: row["Why"] for row in sheet(case, "Added")}
    assert list(added) == ["DRYER D0108"]
    assert "4 pieces of SCREW lot S1 were put into DRYER D0108" in added["DRYER D0108"]


def test_the_report_says_all_of_it(case: Station) -> None:
    said = text_of(paper(case, "report.pdf"))
    frozen = asked(case, f"cases/{CASE}/things")
    assert f"Containment case {CASE}: open, revision 1 frozen" in said
    for words in (
        "Name of the plant: set PARTKIN_PLANT_NAME",
        HAZARD,
        "SCREW (Screw): lot S1, and the serial numbers that belong to it.",
        "Appendix: all 7 units affected",
        "Effectiveness checks, level B (50 %)",
        "SCREW, lot S1: stock counted 2026-03-02",
        "SCREW, container K1: stock by the books, not counted",
        "All 2 units were inspected, and none was bad. This says nothing of other units.",
        "highest: 8 units",  # all dryers were started within the hour
        "certain: 5 units",
        "possible: 2 units",
        "not affected: 1 unit",
        "SHOP-1",
        "in the plant",
    ):
        assert words in said
    assert len(frozen["items"]) > 7
    recorded(case.post("cases", action="freeze", case=CASE, suspects={"items": [S2]}, reason="it was S2"))
    again = text_of(paper(case, "report.pdf"))
    assert "open, revision 2 frozen" in again
    assert "Appendix: all 3 units affected" in again


def test_papers_are_listed_and_named(case: Station) -> None:
    listed = case.client.get(address()).raise_for_status().json()
    assert (listed["case"], listed["status"], listed["revision"]) == (CASE, "frozen", 1)
    assert [(one["consignee"], one["units"]) for one in listed["papers"][4:]] == [
        *[("SHOP-1", 2)] * 2,
        *[("SHOP-2", 1)] * 2,
    ]
    begins = {".pdf": b"%PDF-", "xlsx": b"PK\3\4", "json": b"{", ".csv": b"part,"}
    for one in listed["papers"]:
        response = case.client.get(one["href"]).raise_for_status()
        assert response.headers["content-type"] == one["media_type"]
        assert response.content.startswith(begins[one["href"][-4:]])
        name = one["href"].rpartition("/")[2]
        assert response.headers["content-disposition"] == f'attachment; filename="CC-26%2F4-{name}"'
    for wrong in ("/letter.pdf", "/consignees/SHOP-3.pdf", "/consignees/.csv"):
        response = case.client.get(address(wrong))
        assert response.status_code in (404, 422), wrong
        assert response.headers["content-type"] == "application/problem+json"
    for name in ("", "/report.pdf", "/consignees/SHOP-1.csv"):
        assert case.client.get(f"/v1/cases/C9/papers{name}").json()["detail"] == "There is no case C9."


def test_a_case_never_frozen_tells_what_is_affected_now(plant: Station) -> None:
    opened(plant, S1)
    report = text_of(paper(plant, "report.pdf"))
    assert "open, no list frozen" in report
    assert "No list is frozen yet" in report
    assert {row["Serial number"]: (row["Certainty"], row["State"]) for row in sheet(plant, "Units")} == (
        units_affected(plant)
    )
    assert "DRAFT" in text_of(paper(plant, "consignees/SHOP-1.pdf"))


def test_a_case_with_nothing_affected_has_its_papers(station: Station) -> None:
    recorded(station.receive("SCREW", lot="S3", quantity=10))
    opened(station, S3)
    recorded(station.post("cases", action="freeze", case=CASE))
    for name in ("report.pdf", "workbook.xlsx", "regulator.pdf", "regulator.json"):
        paper(station, name)
    assert "No unit is affected" in text_of(paper(station, "report.pdf"))
    assert len(station.client.get(address()).json()["papers"]) == 4


def test_the_command_writes_them_all_or_none(
    case: Station, store_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PARTKIN_PLANT_ADDRESS", "1 Mill Lane; Fennbridge")

    def run(code: str, folder: Path) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["partkin", "papers", code, "--to", str(folder), "--store", store_url])
        with pytest.raises(SystemExit) as ended:
            command_line.main()
        printed = capsys.readouterr()
        return int(ended.value.code or 0), printed.out + printed.err

    folder = tmp_path / "of-4"
    status, said = run(CASE, folder)
    names = sorted(file.name for file in folder.iterdir())
    assert status == 0, said
    assert names == sorted(
        ["report.pdf", "workbook.xlsx", "regulator.pdf", "regulator.json"]
        + [f"consignee-SHOP-{number}.{ending}" for number in (1, 2) for ending in ("pdf", "csv")]
    )
    assert all(name in said for name in names)
    assert (folder / "consignee-SHOP-1.csv").read_bytes() == paper(case, "consignees/SHOP-1.csv")
    assert json.loads((folder / "regulator.json").read_text())["plant"]["address"] == ["1 Mill Lane", "Fennbridge"]
    assert run(CASE, folder)[0] == 2
    assert run("C9", tmp_path / "of-9") == (2, "partkin: There is no case C9.\n")
    assert not (tmp_path / "of-9").exists()


def test_other_suspects_are_on_the_way_too(station: Station) -> None:
    """Motors, named by their numbers: one in a dryer, one taken out and scrapped, one never used."""
    for number in (1, 2, 3):
        recorded(station.start(f"D{number}"))
        recorded(station.marry(f"D{number}", "L-10", motor(f"M{number}")))
    recorded(station.remove("D2", motor("M2"), destination="scrap"))
    opened(station, motor("M1"), motor("M2"), motor("M3"))
    recorded(station.post("cases", action="freeze", case=CASE))
    said = text_of(paper(station, "report.pdf"))
    assert "MOTOR Motor 3 certain" in said
    assert "DRYER Dryer 3 certain" in said
