"""Facts and items as JSON, as the journal and every answer have them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import date
from functools import lru_cache
from json.encoder import encode_basestring
from operator import attrgetter
from typing import Any, get_type_hints

from partkin.rules.canonical_json import canonical
from partkin.rules.facts import (
    Calibrated,
    CameBack,
    CaseClosed,
    CaseFrozen,
    CaseOpened,
    CaseReopened,
    ChecksPlanned,
    Corrected,
    Counted,
    Decided,
    Despatched,
    Disposed,
    Drilled,
    Dropped,
    Fact,
    Held,
    Inspected,
    ItemKey,
    ItemKind,
    ItemKnown,
    LabelPrinted,
    LeftOver,
    Listed,
    Loaded,
    LoadingCorrected,
    LotDated,
    LotNamed,
    MadeStale,
    MarriageEnded,
    MarriageRestored,
    Married,
    Measured,
    Noticed,
    NumberIssued,
    NumbersIssued,
    Opened,
    Ordered,
    OrderTaken,
    Received,
    Redrawn,
    Released,
    Relisted,
    Removed,
    ShipmentLoaded,
    ShipmentOpened,
    ShipmentUnloaded,
    SortingDrawn,
    StateChanged,
    Tested,
    Transferred,
    Use,
    UseKnown,
    Visited,
)
from partkin.rules.moments import Moment, end_of_text, end_text

_NAMES: Mapping[str, type[Any]] = {
    "item known": ItemKnown,
    "lot dated": LotDated,
    "lot named": LotNamed,
    "state changed": StateChanged,
    "number issued": NumberIssued,
    "numbers issued": NumbersIssued,
    "married": Married,
    "marriage ended": MarriageEnded,
    "marriage restored": MarriageRestored,
    "removed": Removed,
    "point of use known": UseKnown,
    "loaded": Loaded,
    "left over": LeftOver,
    "loading corrected": LoadingCorrected,
    "redrawn": Redrawn,
    "opened": Opened,
    "transferred": Transferred,
    "received": Received,
    "visited": Visited,
    "tested": Tested,
    "made stale": MadeStale,
    "calibrated": Calibrated,
    "disposed": Disposed,
    "corrected": Corrected,
    "label printed": LabelPrinted,
    "ordered": Ordered,
    "order taken": OrderTaken,
    "shipment opened": ShipmentOpened,
    "shipment loaded": ShipmentLoaded,
    "shipment unloaded": ShipmentUnloaded,
    "despatched": Despatched,
    "came back": CameBack,
    "held": Held,
    "released": Released,
    "counted": Counted,
    "case opened": CaseOpened,
    "case frozen": CaseFrozen,
    "listed": Listed,
    "relisted": Relisted,
    "dropped": Dropped,
    "decided": Decided,
    "case closed": CaseClosed,
    "case reopened": CaseReopened,
    "sorting drawn": SortingDrawn,
    "inspected": Inspected,
    "checks planned": ChecksPlanned,
    "noticed": Noticed,
    "drilled": Drilled,
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
    tuple[ItemKey, ...]: (
        lambda keys: [item_json(key) for key in keys],
        lambda values: tuple(item_of_json(value) for value in values),
    ),
    tuple[str, ...]: (list, tuple),
    tuple[int, ...]: (list, tuple),
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
_FIELDS_OF = {kind: ("fact", *codecs) for kind, codecs in _CODECS_OF.items()}
_VALUES_OF = {kind: attrgetter("__class__", *codecs) for kind, codecs in _CODECS_OF.items()}
_ENCODED_OF = {
    kind: [(name, codec[0]) for name, codec in codecs.items() if codec is not None]
    for kind, codecs in _CODECS_OF.items()
}


def fact_json(fact: Fact) -> dict[str, Any]:
    """A fact as JSON. `started` of an item that is not built here, and the end of what lasts, are null."""
    kind = type(fact)
    written: dict[str, Any] = dict(zip(_FIELDS_OF[kind], _VALUES_OF[kind](fact), strict=True))
    written["fact"] = _NAME_OF[kind]
    for name, encode in _ENCODED_OF[kind]:
        if written[name] is not None:
            written[name] = encode(written[name])
    return written


def fact_text(fact: Fact) -> str:
    """`fact_json` as canonical text, without making it first: most of an answer are facts."""
    pieces, end = _PIECES_OF[type(fact)]
    return "".join([before + write(getattr(fact, name)) for before, name, write in pieces]) + end


@lru_cache(maxsize=4096)
def item_text(key: ItemKey) -> str:
    """`item_json` as canonical text."""
    part, code = encode_basestring(key.part), encode_basestring(key.code)
    return f'{{"part":{part},"serial":{code}}}' if key.kind == "serial" else f'{{"lot":{code},"part":{part}}}'


@lru_cache(maxsize=4096)
def _use_text(use: Use) -> str:
    return canonical(use._asdict())


def _plain_text(value: Any) -> str:
    if type(value) is str:
        return encode_basestring(value)
    if type(value) is int and abs(value) < 2**53:
        return str(value)
    return _CONSTANTS[value] if value is None or type(value) is bool else canonical(value)


_CONSTANTS = {None: "null", False: "false", True: "true"}
_OFTEN: Mapping[Any, Callable[[Any], str]] = {item_json: item_text, _CODECS[Use][0]: _use_text}


def _text_of(codec: _Codec | None) -> Callable[[Any], str]:
    if codec is None:
        return _plain_text
    encode = codec[0]
    write = _OFTEN.get(encode, lambda value: _plain_text(encode(value)))
    return lambda value: "null" if value is None else write(value)


def _pieces(kind: type[Any]) -> tuple[list[tuple[str, str, Callable[[Any], str]]], str]:
    """What stands before the value of each field, in canonical order, and at the end."""
    pieces, before = [], "{"
    for name in sorted(_FIELDS_OF[kind]):
        if name == "fact":
            before += f'"fact":{canonical(_NAME_OF[kind])},'
        else:
            pieces.append((f'{before}"{name}":', name, _text_of(_CODECS_OF[kind][name])))
            before = ","
    return pieces, before.removesuffix(",") + "}"


_PIECES_OF = {kind: _pieces(kind) for kind in _NAME_OF}


def fact_of_json(value: Mapping[str, Any]) -> Fact:
    """The fact that `fact_json` wrote."""
    kind = _NAMES[value["fact"]]
    codecs = _CODECS_OF[kind]
    read: dict[str, Any] = {}
    for name, codec in codecs.items():
        if name not in value:
            continue  # an older journal, which did not say this: it has its default
        raw = value[name]
        read[name] = codec[1](raw) if codec is not None and (raw is not None or name == "ended") else raw
    fact: Fact = kind(**read)
    return fact
