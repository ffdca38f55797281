"""Lot transfers: lots are split into containers with their own labels, or merged in one."""

from __future__ import annotations

from collections import Counter

from partkin.rules.facts import ItemKey, LotDated, Opened, Transferred
from partkin.rules.judging.case import Case
from partkin.rules.judging.completeness import sources_of
from partkin.rules.judging.interlocks import check_clock, check_lot, check_scan_point
from partkin.rules.messages import LotTransfer
from partkin.rules.reading import Item
from partkin.rules.rows import ItemRow


def judge_lot_transfer(case: Case, message: LotTransfer) -> None:
    """Find what a transfer makes true, and every reason against it."""
    check_clock(case)
    check_scan_point(case)
    sources = [(case.item(f"/sources/{place}/lot"), source.quantity) for place, source in enumerate(message.sources)]
    parts = frozenset(item.key.part for item, _ in sources if item is not None)
    target = case.item("/into", parts)
    if target is None or not parts or any(item is None for item, _ in sources):
        return
    if target.key.kind != "lot":
        case.because("wrong-part", f"{case.title(target.key.part)} is not traced by lot.", "/into")
        return
    taken: Counter[ItemKey] = Counter()
    fitting: list[tuple[Item, int]] = []
    for place, (item, quantity) in enumerate(sources):
        if item is None:
            continue
        taken[item.key] += quantity
        check_lot(case, item, taken[item.key], f"/sources/{place}/lot")
        if _fits(case, item, target, f"/sources/{place}/lot"):
            fitting.append((item, quantity))
    _transfer(case, fitting, target)


def _fits(case: Case, source: Item, target: Item, pointer: str) -> bool:
    """Whether pieces of a lot can be in a container: of the same part, and not what the lot came out of."""
    if source.key.part != target.key.part:
        detail = f"{source.key} goes into {target.key}: a container holds lots of one part only."
        case.because("wrong-part", detail, pointer)
        return False
    of, row = case.row(source.key), case.row(target.key)
    if source.key == target.key or (of is not None and row in sources_of(case.known, of)):
        case.because("inside-itself", f"{source.key} came out of {target.key}.", pointer)
        return False
    return True


def _transfer(case: Case, sources: list[tuple[Item, int]], target: Item) -> None:
    for item, _ in sources:
        case.know(item)
    case.know(target)
    known = [row for item, _ in sources if (row := case.row(item.key)) is not None]
    _date(case, known, [item for item, _ in sources], target)
    for item, quantity in sources:
        case.facts.append(Transferred(case.number(), item.key, target.key, quantity, case.at))
    opened = [row.opened_at for row in known if row.opened_at is not None]
    if opened:
        case.facts.append(Opened(target.key, min(opened)))


def _date(case: Case, known: list[ItemRow], sources: list[Item], target: Item) -> None:
    """The container has the earliest days of what is in it."""
    row = case.row(target.key)
    dated = [*known, *(item for item in sources if case.row(item.key) is None), target if row is None else row]
    produced = min((one.produced_on for one in dated if one.produced_on is not None), default=None)
    expires = min((one.expires_on for one in dated if one.expires_on is not None), default=None)
    before = (target.produced_on, target.expires_on) if row is None else (row.produced_on, row.expires_on)
    if (produced, expires) != before:
        case.facts.append(LotDated(target.key, produced, expires))
