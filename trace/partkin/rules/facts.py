"""Facts: what the journal says has become true. The books are nothing but facts applied in order.

A fact names things as the plant does (part numbers, serial numbers, lots), so that the journal can be read alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Literal, NamedTuple, get_type_hints

from partkin.rules.moments import Moment, end_of_text, end_text

FACTS_PER_ENTRY = 4096
"""Room for the facts of one entry in the numbers that are made from it."""

ItemKind = Literal["serial", "lot"]
ItemState = Literal["usable", "in work", "finished", "scrapped", "returned"]
Verdict = Literal["pass", "fail", "incomplete"]
Destination = Literal["stock", "scrap", "supplier"]


class ItemKey(NamedTuple):
    """An item as the plant names it: part number, kind, serial number or lot."""

    part: str
    kind: ItemKind
    code: str

    def __str__(self) -> str:
        return f"{self.part} {self.kind} {self.code}"


class Use(NamedTuple):
    """A point of use: a position fed with lots at a scan point."""

    scan_point: str
    position: str


@dataclass(frozen=True, slots=True)
class ItemKnown:
    """An item is known from now on."""

    number: int
    item: ItemKey
    state: ItemState
    of_lot: str | None = None
    produced_on: date | None = None
    expires_on: date | None = None
    started: Moment | None = None


@dataclass(frozen=True, slots=True)
class LotDated:
    """The days of a lot that was known before became known."""

    item: ItemKey
    produced_on: date | None
    expires_on: date | None


@dataclass(frozen=True, slots=True)
class LotNamed:
    """It became known to which lot a serial item belongs that was known before."""

    item: ItemKey
    of_lot: str


@dataclass(frozen=True, slots=True)
class StateChanged:
    """An item is finished, opened again, scrapped …"""

    item: ItemKey
    state: ItemState


@dataclass(frozen=True, slots=True)
class NumberIssued:
    """A running number of a part was given out."""

    part: str
    running: int


@dataclass(frozen=True, slots=True)
class Married:
    """A component is in a unit from `started` until `ended`."""

    number: int
    parent: ItemKey
    child: ItemKey | None
    """None: pieces drawn at a point of use while no lot was known to be loaded there."""
    position: str
    slot: int
    quantity: int
    started: Moment
    ended: Moment
    disputed: bool
    parent_is_unit: bool
    drawn_at: Use | None


@dataclass(frozen=True, slots=True)
class MarriageEnded:
    """A marriage ended, or ended earlier than was known."""

    marriage: int
    ended: Moment
    to_stock: bool
    """Whether its pieces can be used again."""


@dataclass(frozen=True, slots=True)
class Removed:
    """Somebody said that a component came out."""

    number: int
    parent: ItemKey
    child: ItemKey
    position: str | None
    at: Moment
    reason: str
    destination: Destination


@dataclass(frozen=True, slots=True)
class UseKnown:
    """A point of use is known from now on."""

    number: int
    use: Use


@dataclass(frozen=True, slots=True)
class Loaded:
    """A lot is at a point of use from `at` until the next loading there."""

    number: int
    use: Use
    lot: ItemKey | None
    """None: emptied."""
    at: Moment


@dataclass(frozen=True, slots=True)
class Redrawn:
    """A loading became known late: what was drawn meanwhile came from this lot."""

    use: Use
    lot: ItemKey | None
    started: Moment
    ended: Moment


@dataclass(frozen=True, slots=True)
class Received:
    """Parts came in."""

    number: int
    part: str
    supplier: str
    lot: ItemKey | None
    serials: tuple[str, ...]
    quantity: int
    counted: bool
    """Whether no more of the lot may be used than was received."""
    used: int
    """Pieces of the lot that were in something before any was known to be received."""
    at: Moment
    delivery_note: str | None


@dataclass(frozen=True, slots=True)
class Visited:
    """A unit was worked on at a scan point."""

    item: ItemKey
    scan_point: str
    at: Moment


@dataclass(frozen=True, slots=True)
class Measured:
    """One result of a test run."""

    characteristic: str
    value: float | None
    good: bool | None
    within: bool


@dataclass(frozen=True, slots=True)
class Tested:
    """A test plan was run on an item."""

    number: int
    item: ItemKey
    plan: str
    instrument: str
    at: Moment
    verdict: Verdict
    measured: tuple[Measured, ...]


@dataclass(frozen=True, slots=True)
class MadeStale:
    """Runs of a plan on an item before `at` no longer count."""

    item: ItemKey
    plan: str
    at: Moment


@dataclass(frozen=True, slots=True)
class Held:
    """A hold was placed."""

    number: int
    item: ItemKey
    reason: str
    discrepancy: bool
    at: Moment
    by: str


@dataclass(frozen=True, slots=True)
class Released:
    """A hold ended."""

    hold: int
    reason: str
    at: Moment
    by: str


Fact = (
    ItemKnown
    | LotDated
    | LotNamed
    | StateChanged
    | NumberIssued
    | Married
    | MarriageEnded
    | Removed
    | UseKnown
    | Loaded
    | Redrawn
    | Received
    | Visited
    | Tested
    | MadeStale
    | Held
    | Released
)

_NAMES: Mapping[str, type[Any]] = {
    "item known": ItemKnown,
    "lot dated": LotDated,
    "lot named": LotNamed,
    "state changed": StateChanged,
    "number issued": NumberIssued,
    "married": Married,
    "marriage ended": MarriageEnded,
    "removed": Removed,
    "point of use known": UseKnown,
    "loaded": Loaded,
    "redrawn": Redrawn,
    "received": Received,
    "visited": Visited,
    "tested": Tested,
    "made stale": MadeStale,
    "held": Held,
    "released": Released,
}


def item_json(key: ItemKey) -> dict[str, str]:
    """An item as JSON: `{"part": …, "serial": …}` or `{"part": …, "lot": …}`."""
    return {"part": key.part, key.kind: key.code}


def item_of_json(value: Mapping[str, str]) -> ItemKey:
    """The item that `item_json` wrote."""
    kind: ItemKind = "serial" if "serial" in value else "lot"
    return ItemKey(value["part"], kind, value[kind])


_Codec = tuple[Callable[[Any], Any], Callable[[Any], Any]]

_CODECS: Mapping[Any, _Codec] = {
    ItemKey: (item_json, item_of_json),
    Use: (lambda use: use._asdict(), lambda value: Use(**value)),
    Moment: (end_text, end_of_text),
    date: (date.isoformat, date.fromisoformat),
    tuple[Measured, ...]: (
        lambda results: [{f.name: getattr(result, f.name) for f in fields(Measured)} for result in results],
        lambda values: tuple(Measured(**value) for value in values),
    ),
    tuple[str, ...]: (list, tuple),
}


def _codecs(kind: type[Any]) -> dict[str, _Codec | None]:
    """How each field is written: moments are told from counts by their names, since both are whole numbers."""
    hints = get_type_hints(kind)
    moments = {"at", "started", "ended"}
    return {
        f.name: _CODECS[Moment]
        if f.name in moments
        else next(
            (c for hint, c in _CODECS.items() if hint is not Moment and _is_or_none(hints[f.name], hint)),
            None,
        )
        for f in fields(kind)
    }


def _is_or_none(hint: Any, wanted: Any) -> bool:
    return bool(hint == wanted or hint == wanted | None)


_NAME_OF = {kind: name for name, kind in _NAMES.items()}
_CODECS_OF = {kind: _codecs(kind) for kind in _NAME_OF}


def fact_json(fact: Fact) -> dict[str, Any]:
    """A fact as JSON. `started` of an item that is not built here, and the end of what lasts, are null."""
    written: dict[str, Any] = {"fact": _NAME_OF[type(fact)]}
    for name, codec in _CODECS_OF[type(fact)].items():
        value = getattr(fact, name)
        written[name] = codec[0](value) if codec is not None and value is not None else value
    return written


def fact_of_json(value: Mapping[str, Any]) -> Fact:
    """The fact that `fact_json` wrote."""
    kind = _NAMES[value["fact"]]
    codecs = _CODECS_OF[kind]
    read: dict[str, Any] = {}
    for name, codec in codecs.items():
        raw = value[name]
        read[name] = codec[1](raw) if codec is not None and (raw is not None or name == "ended") else raw
    fact: Fact = kind(**read)
    return fact
