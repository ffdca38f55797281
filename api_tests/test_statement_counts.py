"""How many statements a post needs, and a question; that more posts together and a larger plant need no more."""

from __future__ import annotations

import json
from collections.abc import Callable

import httpx2

from api_tests.cases import opened, turn
from api_tests.plant import GOOD, Json, Station, dryer, heater, load, lot_of, motor, recorded, serial_of
from api_tests.servers import running
from api_tests.statements import statements_sent
from partkin.actions.record_messages import record_messages
from partkin.actions.rulebooks import Rulebooks
from partkin.store.database import Database
from partkin.web.reading import read_post


def start(number: int) -> Json:
    return {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER", "serial": f"D{number}"}


def issue(_: int) -> Json:
    return {"kind": "unit-start", "scan_point": "PL-10", "part": "PUMP"}


def marriage(number: int) -> Json:
    components = [{"item": motor(f"M{number}")}, {"item": heater(f"H{number}")}]
    return {"kind": "marriage", "scan_point": "L-10", "unit": dryer(f"D{number}"), "components": components}


def removal(number: int) -> Json:
    what = {"component": motor(f"M{number}"), "reason": "noisy"}
    return {"kind": "removal", "scan_point": "RW", "unit": dryer(f"D{number}"), **what}


def test_run(number: int) -> Json:
    what = {"plan": "SAFETY", "instrument": "T1", "measurements": GOOD}
    return {"kind": "test-run", "scan_point": "RW", "unit": dryer(f"D{number}"), **what}


test_run.__test__ = False  # type: ignore[attr-defined]


def receipt(number: int) -> Json:
    return {"kind": "receipt", "part": "CARTON", "supplier": "S1", "lot": f"C{number}", "quantity": 9}


def hold(number: int) -> Json:
    return {"kind": "hold", "action": "place", "item": dryer(f"D{number}"), "reason": "rust"}


def loading(number: int) -> Json:
    return {"kind": "lot-loading", "scan_point": "L-20", "lot": lot_of("SCREW", "S1"), "feeder": f"{number}"}


def transfer(number: int) -> Json:
    sources = [{"lot": lot_of("CARTON", f"C{number}"), "quantity": 3}]
    return {"kind": "lot-transfer", "sources": sources, "into": lot_of("CARTON", f"K{number}")}


def disposition(number: int) -> Json:
    return {"kind": "disposition", "item": motor(f"M{number}"), "destination": "scrap", "reason": "noisy"}


def calibration(_: int) -> Json:
    return {"kind": "calibration", "instrument": "T2", "good": True, "due_on": "2026-12-31"}


def block(_: int) -> Json:
    return {"kind": "number-block", "part": "PUMP", "count": 2, "reason": "labels ahead"}


def label(number: int) -> Json:
    return {"kind": "label-print", "label": "component", "items": [lot_of("SCREW", f"S{number:03}")]}


def order(number: int) -> Json:
    ordered = {"order": f"O{number}", "sequence": number, "part": "DRYER"}
    return {"kind": "build-order", "line": "L", "orders": [ordered]}


def packed(number: int) -> Json:
    return {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER-2", "serial": f"P{number}"}


def packing(number: int) -> Json:
    contents = [serial_of("DRYER-2", f"P{number}")]
    return {"kind": "packing", "scan_point": "PACK", "packaging": "BOX", "contents": contents}


def shipped(number: int) -> Json:
    return {"kind": "unit-start", "scan_point": "L-10", "part": "DRYER-2", "serial": f"E{number}"}


def load_shipment(number: int) -> Json:
    what = {"action": "load", "consignee": f"SHOP-{1 + number % 2}", "contents": [serial_of("DRYER-2", f"E{number}")]}
    return {"kind": "shipment", "scan_point": "SHIP", "shipment": f"N{number}", **what}


def despatch(number: int) -> Json:
    return {"kind": "shipment", "scan_point": "SHIP", "shipment": f"N{number}", "action": "despatch"}


def customer_return(number: int) -> Json:
    unit = serial_of("DRYER-2", f"E{number}")
    return {"kind": "customer-return", "scan_point": "GOODS-IN", "unit": unit, "reason": "noisy"}


def screws(number: int) -> Json:
    return {"kind": "marriage", "scan_point": "L-20", "unit": dryer(f"D{number}"), "components": []}


Form = Callable[[int], Json]

MOST: dict[Form, int] = {
    start: 14,
    issue: 13,
    marriage: 20,
    removal: 18,
    test_run: 19,
    receipt: 9,
    hold: 16,
    loading: 17,
    transfer: 17,
    disposition: 20,
    calibration: 7,
    block: 10,
    label: 9,
    packed: 14,
    packing: 24,
    shipped: 14,
    load_shipment: 18,
    despatch: 30,
    customer_return: 21,
    order: 8,
}
"""For one post of each kind, in an order in which each is possible."""


def test_a_hundred_posts_need_no_more_statements_than_one(store_url: str) -> None:
    load(store_url)
    database = Database(store_url)
    rulebooks = Rulebooks(database)

    def statements(form: Form, numbers: range) -> int:
        said = {"operator": "B1", "occurred_at": "2026-03-02T06:00:00Z"}
        messages = [{"message_id": f"{form.__name__}-{n}", **said, **form(n)} for n in numbers]
        posts = [read_post(json.dumps(message).encode(), rulebooks.newest) for message in messages]
        with statements_sent() as run:
            outcomes = record_messages(database, rulebooks, posts, now=1_800_000_000_000_000, clock_slack=0)
        assert {outcome.status for outcome in outcomes} == {201}
        return len(run)

    needed: dict[Form, tuple[int, int]] = {}
    for form in MOST:
        statements(form, range(1))  # the first of all finds nothing, and so asks for less
        needed[form] = statements(form, range(1, 2)), statements(form, range(2, 102))
    assert {form: one for form, (one, _) in needed.items() if one > MOST[form]} == {}
    assert {form: n for form, n in needed.items() if n[1] > n[0]} == {}
    database.close()


# -- questions

SUSPECT: Json = {"suspects": {"items": [lot_of("SCREW", "S1")]}}
ALARM = json.dumps(SUSPECT).encode()

MOST_ASKED: dict[str, int] = {
    "GET /v1/tree?part=DRYER&serial=D0": 3,
    "GET /v1/tree?serial=D0&removed=true&as_of=2026-03-02T07:00:00Z": 3,
    "GET /v1/tree?part=CARTON&lot=K0": 3,
    "GET /v1/trees?started_from=2026-03-02T00:00:00Z&started_to=2026-03-03T00:00:00Z": 4,
    "GET /v1/units": 15,
    "GET /v1/units/D0/clearance?part=DRYER": 26,
    "GET /v1/where?part=DRYER&serial=D0": 3,
    "GET /v1/where?part=SCREW&lot=S1": 4,
    "GET /v1/history?part=DRYER&serial=D0": 10,
    "GET /v1/history?part=SCREW&lot=S1": 10,
    "GET /v1/scan-points/L-20/next?unit=D0": 29,
    "POST /v1/affected": 9,
    "POST /v1/affected?format=ndjson": 9,
    "POST /v1/preview": 15,
    "GET /v1/mass-balance?part=SCREW&lot=S1": 13,
    "GET /v1/mass-balance?part=CARTON&lot=C0": 13,
    "GET /v1/shipments": 1,
    "GET /v1/shipments/N0": 2,
    "GET /v1/holds": 1,
    "GET /v1/entries": 1,
    "GET /v1/entries/1": 1,
    "GET /v1/orders?line=L": 1,
    "GET /v1/cases": 1,
    "GET /v1/cases/C1": 39,
    "GET /v1/cases/C1/things": 11,
    "GET /v1/cases/C1/list": 8,
    "GET /v1/cases/C1/papers": 42,
    "GET /v1/labels/{label}": 15,
    "GET /v1/drills": 1,
    "GET /v1/instruments": 1,
    "GET /v1/instruments/T1/tested": 4,
    "GET /v1/seals": 1,
}
"""The beginning of a transaction does not count. Of units there is one for each model until a page is full."""


def statements_of(client: httpx2.Client, question: str) -> int:
    method, address = question.split(" ")
    content, headers = (ALARM, {"Content-Type": "application/json"}) if method == "POST" else (None, {})
    with statements_sent() as run:
        answer = client.request(method, address, content=content, headers=headers)
    assert answer.status_code == 200, (question, answer.text)
    return sum(not one.text.startswith("BEGIN") for one in run)


def build(store_url: str, size: int) -> int:
    """A plant in which everything happened so many times; the entry of a label that was printed."""
    load(store_url)
    database = Database(store_url)
    rulebooks = Rulebooks(database)
    entries: dict[Form, int] = {}
    for form in (*MOST, screws):
        said = {"operator": "B1", "occurred_at": "2026-03-02T06:00:00Z", "mode": "tell"}
        messages = [{"message_id": f"{form.__name__}-{n}", **said, **form(n)} for n in range(size)]
        posts = [read_post(json.dumps(message).encode(), rulebooks.newest) for message in messages]
        outcomes = record_messages(database, rulebooks, posts, now=1_800_000_000_000_000, clock_slack=0)
        assert {outcome.status for outcome in outcomes} == {201}
        entries[form] = json.loads(outcomes[0].answer)["entry"]
    database.close()
    return entries[label]


def test_a_question_needs_no_more_statements_in_a_larger_plant(new_store: Callable[[], str]) -> None:
    needed: list[dict[str, int]] = []
    for size in (1, 20):
        store_url = new_store()
        printed = build(store_url, size)
        with running(store_url) as base_url, httpx2.Client(base_url=base_url, timeout=60) as client:
            station = Station(client)
            opened(station, **SUSPECT["suspects"])
            recorded(turn(station, "freeze"))
            assert client.post("/v1/seals").status_code == 201
            client.get("/v1/cases/C1/list")  # so that the store as it was known at the freeze is there
            needed.append({asked: statements_of(client, asked.format(label=printed)) for asked in MOST_ASKED})
    small, large = needed
    assert {question: (small[question], n) for question, n in large.items() if n > small[question]} == {}
    assert {question: n for question, n in small.items() if n > MOST_ASKED[question]} == {}
