"""How many statements a post needs, and that a hundred posts together need no more."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy import Engine, event

from api_tests.plant import GOOD, Json, dryer, heater, load, lot_of, motor, serial_of
from partkin.actions.record_messages import record_messages
from partkin.actions.rulebooks import Rulebooks
from partkin.store.database import Database
from partkin.store.statements import log
from partkin.web.reading import read_post


@contextmanager
def counted() -> Iterator[list[str]]:
    """The statements that are run meanwhile; one that is run with many rows is one."""
    statements: list[str] = []

    def note(*executed: object) -> None:
        statements.append(str(executed[2]))

    noting = logging.Handler()
    noting.emit = lambda record: statements.append(record.msg)  # type: ignore[method-assign]
    before = log.level
    event.listen(Engine, "before_cursor_execute", note)
    log.addHandler(noting)
    log.setLevel(logging.DEBUG)
    yield statements
    event.remove(Engine, "before_cursor_execute", note)
    log.removeHandler(noting)
    log.setLevel(before)


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
    what = {"action": "load", "consignee": "SHOP-1", "contents": [serial_of("DRYER-2", f"E{number}")]}
    return {"kind": "shipment", "scan_point": "SHIP", "shipment": f"N{number}", **what}


def despatch(number: int) -> Json:
    return {"kind": "shipment", "scan_point": "SHIP", "shipment": f"N{number}", "action": "despatch"}


def customer_return(number: int) -> Json:
    unit = serial_of("DRYER-2", f"E{number}")
    return {"kind": "customer-return", "scan_point": "GOODS-IN", "unit": unit, "reason": "noisy"}


Form = Callable[[int], Json]

MOST: dict[Form, int] = {
    start: 14,
    issue: 13,
    marriage: 19,
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
        with counted() as run:
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
