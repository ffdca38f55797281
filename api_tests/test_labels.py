"""Labels: printed under the rules of prints, drawn in every format, read back by a general reader, and scanned here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import astuple, replace
from pathlib import Path

import httpx2
import pytest

from api_tests import plant, servers
from api_tests.labels import readers
from api_tests.plant import Json, Station, dryer, facts, lot_of, motor, reasons, recorded
from partkin.actions.load_catalogue import load_catalogue
from partkin.rules.catalogue import Catalogue, CatalogueRow, Marking, Part
from partkin.rules.catalogue.tables import KINDS, catalogue_of, rows_of
from partkin.store.database import Database

SSCC = "(?P<serial>[0-9]{17}(?P<check>[0-9]))"
RULES: dict[str, Json] = {
    # 952 is GS1's prefix for examples.
    "DRYER": {"gtin": "09521234000013"},
    "SCREW": {"gtin": "09521234000020"},
    "BOX": {"label_pattern": SSCC, "label_check": "gs1-mod-10"},
    "PALLET": {"label_pattern": SSCC, "label_check": "gs1-mod-10"},
}
"""How the parts of the plant are named on their labels, where it does not say so yet."""

MARKINGS = (Marking("DRYER", 1, "230 V~ 50 Hz 850 W"), Marking("DRYER", 2, "R290 0.15 kg"))

EXAMPLES_OF_LABELS: list[tuple[str, str, str | None, str]] = [
    # item, label, symbol asked for, symbology identifier (GS1 General Specifications; ISO/IEC 15424)
    ("dryer", "unit", None, "]d2"),
    ("dryer", "unit", "gs1-qr", "]Q3"),
    ("dryer", "unit", "digital-link", "]Q1"),
    ("pump", "component", None, "]C0"),
    ("pump", "component", "qr", "]Q1"),
    ("screws", "component", None, "]d2"),
    ("box", "carton", None, "]C1"),
    ("box", "carton", "gs1-datamatrix", "]d2"),
    ("box", "carton", "code-128", "]C0"),
    ("pallet", "pallet", None, "]C1"),
]


def catalogue() -> Catalogue:
    def ruled(row: CatalogueRow) -> CatalogueRow:
        return replace(row, **RULES.get(row.part, {})) if isinstance(row, Part) else row

    rows = (ruled(row) for kind in KINDS.values() for row in rows_of(plant.CATALOGUE, kind))
    return catalogue_of([*rows, *MARKINGS])


@pytest.fixture
def printing(station: Station, store_url: str) -> Station:
    """A station of the plant whose labels can be printed."""
    database = Database(store_url)
    load_catalogue(database, catalogue(), operator="B1", now=0)
    database.close()
    return station


@pytest.fixture
def items(printing: Station) -> dict[str, Json]:
    recorded(printing.load(lot_of("SCREW", "S100"), "L-20"))
    recorded(printing.start("D0001"))
    box = printing.box(printing.second_model())
    named = {"dryer": dryer("D0001"), "screws": lot_of("SCREW", "S100"), "box": box}
    return {**named, "pump": printing.pump(), "pallet": printing.pallet(box)}


def printed(station: Station, label: str, *items: Json | str, **said: object) -> httpx2.Response:
    return station.post("labels", items=list(items), label=label, **said)


def drawn(station: Station, entry: int, **asked: str | int) -> httpx2.Response:
    return station.client.get(f"/v1/labels/{entry}", params=asked).raise_for_status()


def scans(station: Station, entry: int, folder: Path, **asked: str | int) -> Iterator[str]:
    """What a reader sends of a label, drawn in each format."""
    svg = drawn(station, entry, format="svg", **asked)
    yield from readers.scanned(readers.of_svg(svg.text, folder / "svg.png", 300))
    png = drawn(station, entry, format="png", **asked)
    yield from readers.scanned(readers.of_png(png.content, folder / "label.png"))
    pdf = drawn(station, entry, format="pdf")
    yield from readers.scanned(readers.of_pdf(pdf.content, 300, int(asked.get("label", 1)) - 1))
    kinds = [answer.headers["content-type"] for answer in (svg, png, pdf)]
    assert kinds == ["image/svg+xml", "image/png", "application/pdf"]


def test_every_label_is_read_back_and_names_its_item(printing: Station, items: dict[str, Json], tmp_path: Path) -> None:
    for name, label, symbol, identifier in EXAMPLES_OF_LABELS:
        item = items[name]
        said: Json = {} if symbol is None else {"symbol": symbol}
        entry = recorded(printed(printing, label, item, reason="an example of each", **said))["entry"]
        (scan, *others) = scans(printing, entry, tmp_path)
        assert others == [scan, scan], (name, symbol)
        assert scan.startswith(identifier), (name, symbol)
        found = printing.client.get("/v1/where", params={"scan": scan}).raise_for_status().json()
        assert {key: found[key] for key in item} == item, (name, symbol)


def test_a_rating_plate_shows_its_markings(printing: Station, items: dict[str, Json]) -> None:
    entry = recorded(printed(printing, "unit", items["dryer"]))["entry"]
    shown = readers.without_blanks(readers.text_of_pdf(drawn(printing, entry).content))
    for text in ("DRYER", "Serial number D0001", *(marking.text for marking in MARKINGS)):
        assert readers.without_blanks(text) in shown


def test_several_labels_of_one_print_are_drawn_together_and_each(
    printing: Station, items: dict[str, Json], tmp_path: Path
) -> None:
    entry = recorded(printed(printing, "component", items["pump"], items["screws"]))["entry"]
    (plain, _, _) = scans(printing, entry, tmp_path, label=1)
    (gs1, _, _) = scans(printing, entry, tmp_path, label=2)
    assert plain == f"]C0{items['pump']['serial']}"
    assert gs1.startswith(f"]d201{RULES['SCREW']['gtin']}")
    sheet = readers.of_pdf(drawn(printing, entry, sheet="true").content, 300)
    assert sorted(readers.scanned(sheet)) == [plain, gs1]
    assert sheet.shape == pytest.approx((297 / 25.4 * 300, 210 / 25.4 * 300), abs=2)  # ISO 216: A4


# -- what is journalled


def test_a_print_is_journalled_with_who_and_when(printing: Station, items: dict[str, Json]) -> None:
    entry = recorded(printed(printing, "unit", items["dryer"], operator="B7"))["entry"]
    (fact,) = facts(printing.client.get(f"/v1/entries/{entry}").json()["answer"], "label printed")
    assert (fact["item"], fact["label"], fact["symbol"], fact["copy"], fact["reason"]) == (
        *(items["dryer"], "unit", "gs1-datamatrix", 1, None),
    )
    (told,) = (
        entry
        for entry in printing.client.get("/v1/history", params=items["dryer"]).json()["items"]
        if entry["kind"] == "label-print"
    )
    assert (told["operator"], told["entry"]) == ("B7", entry)


def test_a_reprint_says_why(printing: Station, items: dict[str, Json], store_url: str) -> None:
    dryer, box = items["dryer"], items["box"]
    recorded(printed(printing, "unit", dryer))
    before = plant.books(store_url)
    again = printed(printing, "unit", dryer)
    assert reasons(again) == ["reprint-needs-reason"]
    assert again.json()["reasons"][0]["pointer"] == "/reason"
    assert plant.books(store_url) == before
    second = recorded(printed(printing, "unit", dryer, reason="torn off"))
    (fact,) = facts(second, "label printed")
    assert (fact["copy"], fact["reason"]) == (2, "torn off")
    told = printed(printing, "unit", dryer, mode="tell")
    assert reasons(told) == ["reprint-needs-reason"]
    assert facts(told.json(), "label printed")[0]["copy"] == 3
    recorded(printed(printing, "carton", box))
    assert facts(recorded(printed(printing, "pallet", box)), "label printed")[0]["copy"] == 1, "another kind of label"
    assert reasons(printed(printing, "component", items["pump"], items["pump"])) == ["reprint-needs-reason"]


def test_labels_that_items_do_not_have_are_refused(printing: Station, items: dict[str, Json]) -> None:
    for label, item in [
        ("component", items["dryer"]),
        ("unit", items["pump"]),
        ("component", items["box"]),
        ("carton", lot_of("SCREW", "S100")),
    ]:
        assert reasons(printed(printing, label, item)) == ["cannot-print"], (label, item)
    assert reasons(printed(printing, "unit", dryer("D9"))) == ["unknown-item"]
    # The part's pattern reads other numbers, and it has no GTIN.
    nameless = printed(printing, "component", motor("ABC"))
    assert reasons(nameless) == ["cannot-print"]
    assert "MOTOR" in nameless.json()["detail"]
    assert reasons(printed(printing, "unit", items["dryer"], symbol="code-128")) == ["cannot-print"]


# -- numbers that are labelled ahead


def test_the_numbers_of_a_block_are_labelled_ahead(printing: Station, tmp_path: Path) -> None:
    block = recorded(printing.post("number-blocks", part="BOX", count=3, reason="labels ahead"))
    (issued,) = facts(block, "numbers issued")
    for place, number in enumerate(issued["numbers"], start=1):
        assert {*scans(printing, block["entry"], tmp_path, label=place)} == {f"]C100{number}"}
    pallets = recorded(printing.post("number-blocks", part="PALLET", count=1, reason="labels ahead"))["entry"]
    # ISO 216: A7 of a carton, A6 of a pallet, both upright or level.
    assert 'width="105mm" height="74mm"' in drawn(printing, block["entry"], format="svg").text
    assert 'width="105mm" height="148mm"' in drawn(printing, pallets, format="svg").text
    box = printing.box(printing.second_model())
    assert box["serial"] not in issued["numbers"], "they are reserved"
    assert printing.client.get("/v1/where", params={"scan": f"]C100{issued['numbers'][0]}"}).status_code == 404


# -- problems


def assert_problem(answer: httpx2.Response, type_: str, status: int) -> None:
    assert (answer.status_code, answer.json()["type"]) == (status, f"/problems/{type_}"), answer.text
    assert answer.headers["content-type"] == "application/problem+json"


def test_what_cannot_be_drawn_is_a_problem(printing: Station) -> None:
    start = recorded(printing.start("D0001"))["entry"]
    once = recorded(printed(printing, "unit", dryer("D0001")))["entry"]
    refused = printed(printing, "unit", dryer("D0001")).json()["entry"]
    for asked, type_, status in [
        ("4711", "not-found", 404),
        (f"{start}", "not-found", 404),
        (f"{refused}", "not-found", 404),
        (f"{once}?label=2&format=png", "not-found", 404),
        (f"{once}?label=0", "invalid", 422),
        (f"{once}?format=gif", "invalid", 422),
        (f"{once}?dots_per_inch=20000&format=png", "invalid", 422),
        ("99999999999999999999", "invalid", 422),
    ]:
        assert_problem(printing.client.get(f"/v1/labels/{asked}"), type_, status)


def test_a_code_that_does_not_fit_its_label_is_refused_with_how_much(printing: Station) -> None:
    refused = printed(printing, "component", lot_of("SCREW", "LOT-20260302-0017"), symbol="gs1-128")
    assert reasons(refused) == ["cannot-print"]
    assert "mm too wide for a component label" in refused.json()["detail"]


def test_what_dots_are_too_wide_for_is_told_when_it_is_drawn(printing: Station) -> None:
    entry = recorded(printed(printing, "component", lot_of("SCREW", "S100"), symbol="gs1-128"))["entry"]
    drawn(printing, entry, format="png", dots_per_inch=600)
    coarse = printing.client.get(f"/v1/labels/{entry}?format=png&dots_per_inch=300")
    assert_problem(coarse, "cannot-print", 422)
    assert "with more dots per inch" in coarse.json()["detail"]


def test_numbers_of_a_part_that_is_gone_are_not_drawn(printing: Station, store_url: str) -> None:
    entry = recorded(printing.post("number-blocks", part="DRYER-2", count=1, reason="labels ahead"))["entry"]
    kept = [row for kind in KINDS.values() for row in rows_of(catalogue(), kind) if "DRYER-2" not in astuple(row)]
    database = Database(store_url)
    load_catalogue(database, catalogue_of(kept), operator="B1", now=0)
    database.close()
    assert_problem(printing.client.get(f"/v1/labels/{entry}"), "not-found", 404)


# -- settings


def test_a_digital_link_begins_with_the_plants_own_address(
    store_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PARTKIN_LINK_STEM", "https://id.fennbridge.example/p")
    database = Database(store_url)
    load_catalogue(database, catalogue(), operator="B1", now=0)
    database.close()
    with servers.running(store_url) as base_url, httpx2.Client(base_url=base_url) as client:
        station = Station(client)
        recorded(station.start("D0001"))
        entry = recorded(printed(station, "unit", dryer("D0001"), symbol="digital-link"))["entry"]
        (scan, _, _) = scans(station, entry, tmp_path)
        # GS1 Digital Link Standard: URI Syntax
        assert scan == "]Q1https://id.fennbridge.example/p/01/09521234000013/21/D0001"
        assert client.get("/v1/where", params={"scan": scan}).json()["serial"] == "D0001"
