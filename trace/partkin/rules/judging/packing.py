"""Packing: units into cartons, cartons onto pallets; only what may leave the plant."""

from __future__ import annotations

from partkin.rules.facts import ItemKey, Married, StateChanged, Visited
from partkin.rules.judging.case import Case
from partkin.rules.judging.interlocks import check_clock, check_holds, check_open, check_scan_point
from partkin.rules.judging.leaving import GONE
from partkin.rules.judging.numbers import issue_numbers
from partkin.rules.judging.placing import Receiving, place_component, receiving
from partkin.rules.messages import Component, Packing
from partkin.rules.reading import Item


def judge_packing(case: Case, message: Packing) -> None:
    """Find what packing makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    check_pack_point(case)
    packaging = _begun(case, message) if message.into is None else _packaging(case)
    if packaging is None:
        for place in range(len(message.contents)):
            case.item(f"/contents/{place}")
        return
    case.subject = packaging
    receiver = receiving(case, packaging)
    for place, content in enumerate(message.contents):
        place_component(case, receiver, Component(item=content), f"/contents/{place}", f"/contents/{place}")
    pack_contents(case, receiver)


def check_pack_point(case: Case) -> None:
    """Packaging is opened and filled where that is foreseen."""
    if case.scan_point is not None and not case.at_packing:
        detail = f"{case.scan_point.scan_point} is neither a pack point nor a rework point."
        case.because("out-of-route-order", detail, "/scan_point")


def pack_contents(case: Case, packaging: Receiving) -> None:
    """The units that went into packaging are packed."""
    for married in packaging.married:
        if not married.disputed:
            _pack(case, married)


def _begun(case: Case, message: Packing) -> ItemKey | None:
    """New packaging, under the next number of its scheme."""
    part = case.catalogue.part.get(message.packaging or "")
    if part is None:
        case.because("unknown-part", f"The catalogue has no part {message.packaging}.", "/packaging")
        return None
    if not part.packaging:
        case.because("wrong-part", f"{case.title(part.part)} is no packaging.", "/packaging")
        return None
    numbers = issue_numbers(case, part, 1, "/packaging")
    if not numbers:
        return None
    key = ItemKey(part.part, "serial", numbers[0])
    case.know(Item(key, None, None, None, None))
    return key


def _packaging(case: Case) -> ItemKey | None:
    """The carton or pallet that is named."""
    expected = frozenset(part.part for part in case.catalogue.parts if part.packaging)
    item = case.item("/into", expected)
    if item is None:
        return None
    if not case.part(item.key).packaging:
        case.because("wrong-part", f"{case.title(item.key.part)} is no packaging.", "/into")
        return None
    row = case.row(item.key)
    if row is None:
        case.because("unknown-item", f"{item.key} has not been begun.", "/into")
        case.know(item)
    else:
        check_open(case, row, "/into")
        check_holds(case, row, "/into")
    return item.key


def _pack(case: Case, married: Married) -> None:
    if married.child is None or not case.part(married.child).sold:
        return
    if case.scan_point is not None:
        case.facts.append(Visited(married.child, case.scan_point.scan_point, case.at))
    mark_packed(case, married)


def mark_packed(case: Case, married: Married) -> None:
    """A unit is packed; what was scrapped, sent away or shipped must not look as if it might leave."""
    if married.child is None or not case.part(married.child).sold:
        return
    row = case.row(married.child)
    if row is None or row.state not in (*GONE, "shipped"):
        case.facts.append(StateChanged(married.child, "packed"))
