"""Random histories of the plant: steps that are drawn apart, and the messages that they become.

Steps do not depend on each other until they are written down, so that a failing history shrinks step by step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

from api_tests.histories.factory import BUILT_AT, CONSIGNEES, PARTS, POSITIONS, SCAN_POINTS

Step = dict[str, Any]
Message = dict[str, Any]

INSTANTS = [f"2026-03-02T06:00:{second:02}Z" for second in range(16)]
"""The only moments at which anything happens, so that ties and overlaps are frequent."""

HOUR_BEFORE = "2026-03-02T05:00:08Z"
"""When a lot was opened whose floor life is over in the middle of the history."""

SERIALS = {
    "DRYER-A": ["A1", "A2", "A3"],
    "DRYER-B": ["B1", "B2"],
    "DRYER-C": ["C1", "C2", "C3"],
    "MODULE": ["D1", "D2", "D3"],
    "PUMP": ["P1", "P2", "P3", "P4"],
    "MOTOR": ["M1", "M2", "M3"],
    "MOTOR-2": ["N1", "N2"],
    "HEATER": ["H1", "H2", "H3", "H4", "H5", "H6"],
    "ROTOR": ["R1", "R2", "R3", "R4"],
    "BOX": ["K2603001", "K2603002", "K2603003"],
    "PALLET": ["K2603002", "K2603003"],
}
LOTS = {
    "SCREW": ["S1", "S2", "S3"],
    "SCREW-2": ["T1"],
    "SEAL": ["E1", "E2", "E3"],
    "CARTON": ["C1", "C2"],
    "LEAFLET": ["L1", "L2"],
}
LOT_OF_MOTOR = {"M1": "K1", "M2": "K1", "M3": "K2"}
OPERATORS = ["B1", "B2"]
DESTINATIONS = ["stock", "scrap", "supplier", "failure analysis"]
SHIPMENTS = ["W1", "W2"]

_BUILT = list(BUILT_AT)
_USES = sorted(
    {
        (point, code)
        for positions in POSITIONS.values()
        for code, position in positions.items()
        if PARTS[position["takes"][0]]["trace"] == "lot"
        for point in position["at"]
    }
)


def serial_items(*parts: str) -> st.SearchStrategy[Message]:
    """Serial items of some parts, by name."""
    return st.sampled_from([{"part": part, "serial": serial} for part in parts for serial in SERIALS[part]])


def lots(*parts: str) -> st.SearchStrategy[Message]:
    """Lots of some parts, by name."""
    return st.sampled_from([{"part": part, "lot": lot} for part in parts for lot in LOTS[part]])


built = serial_items(*_BUILT)
dryers = serial_items("DRYER-A", "DRYER-B", "DRYER-C")
packages = serial_items("BOX", "PALLET")
anything = serial_items(*SERIALS) | lots(*LOTS)
motor_labels = st.sampled_from([f"{lot}-{serial}" for serial, lot in LOT_OF_MOTOR.items()])


def _usually(usual: Any, *others: Any) -> st.SearchStrategy[Any]:
    """One value three times of four, else one of some others."""
    return st.sampled_from([usual] * 3 * len(others) + [*others])


def _sometimes(value: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | st.none() | st.none() | value


@st.composite
def _starts(draw: st.DrawFn) -> Step:
    unit = draw(built)
    serial = draw(_usually(unit["serial"], None))
    return {"kind": "unit-start", "part": unit["part"], "serial": serial, "scan_point": BUILT_AT[unit["part"]][0]}


@st.composite
def _usual_marriages(draw: st.DrawFn) -> Step:
    """What the bill asks for goes in where it should."""
    unit = draw(built)
    point = draw(st.sampled_from(BUILT_AT[unit["part"]]))
    components: list[Step] = []
    for position in POSITIONS[unit["part"]].values():
        parts = [part for part in position["takes"] if part in SERIALS]
        if parts and point in position["at"]:
            items = serial_items(*parts) if "MOTOR" not in parts else serial_items(*parts) | motor_labels
            taken = st.lists(items, max_size=position["slots"], unique_by=str)
            components += [{"item": item} for item in draw(taken)]
    return {"kind": "marriage", "unit": unit, "scan_point": point, "components": components}


@st.composite
def _components(draw: st.DrawFn, positions: list[str]) -> Step:
    item = draw(anything | motor_labels | st.just("no such label"))
    component: Step = {"item": item, "position": draw(_sometimes(st.sampled_from(positions)))}
    if isinstance(item, dict) and "lot" in item:
        component["quantity"] = draw(_sometimes(st.integers(1, 3)))
    elif component["position"] is not None:
        component["slot"] = draw(_sometimes(st.integers(1, 3)))
    return component


@st.composite
def _any_marriages(draw: st.DrawFn) -> Step:
    unit = draw(built)
    point = draw(st.just("RW") | st.sampled_from(list(SCAN_POINTS)) | st.sampled_from(BUILT_AT[unit["part"]]))
    fitting = [part for position in POSITIONS[unit["part"]].values() for part in position["takes"]]
    fits = serial_items(*(part for part in fitting if part in SERIALS)) | lots(
        *(part for part in fitting if part in LOTS)
    )
    components = draw(st.lists(_components(sorted(POSITIONS[unit["part"]])), max_size=2))
    components += [{"item": item} for item in draw(st.lists(fits, max_size=2))]
    return {"kind": "marriage", "unit": unit, "scan_point": point, "components": components}


@st.composite
def _draws(draw: st.DrawFn) -> Step:
    """Nothing is scanned: only what is loaded goes in."""
    unit = draw(built | built | packages)
    points = [*BUILT_AT.get(unit["part"], ()), "PK"]
    return {"kind": "marriage", "unit": unit, "scan_point": draw(st.sampled_from(points))}


@st.composite
def _removals(draw: st.DrawFn) -> Step:
    """Of what some earlier step put in; then it may be put into something else."""
    return {
        "kind": "removal",
        "scan_point": draw(st.just("RW") | st.sampled_from(list(SCAN_POINTS))),
        "of": draw(st.integers(0, 30)),
        "by": draw(st.sampled_from(["component", "component", "position", "both"])),
        "slot": draw(_sometimes(st.integers(1, 3))),
        "destination": draw(st.sampled_from(["stock", "stock", "stock", *DESTINATIONS])),
        "into": draw(_sometimes(built)),
        "replacement": draw(_sometimes(anything)),
    }


@st.composite
def _loadings(draw: st.DrawFn) -> Step:
    point, position = draw(st.sampled_from(_USES))
    fitting = {
        part for bill in POSITIONS.values() if position in bill and point in bill[position]["at"]
        for part in bill[position]["takes"]
    }  # fmt: skip
    lot = draw(_sometimes(lots(*LOTS)) | lots(*sorted(fitting)) | lots(*sorted(fitting)))
    stated = lot is None or draw(st.booleans())
    return {
        "kind": "lot-loading",
        "scan_point": point,
        "lot": lot,
        "position": position if stated else None,
        "feeder": draw(st.sampled_from([None, None, "2"])),
        "quantity": None if lot is None else draw(_sometimes(st.integers(1, 6))),
    }


@st.composite
def _receipts(draw: st.DrawFn) -> Step:
    part = draw(st.sampled_from(["ROTOR", "ROTOR", "CARTON", "SCREW", "SEAL", "LEAFLET", "MOTOR", "MOTOR-2"]))
    step = {"kind": "receipt", "part": part, "supplier": draw(st.sampled_from(["S1", "S2"]))}
    if part in LOTS:
        return {**step, "lot": draw(st.sampled_from(LOTS[part])), "quantity": draw(st.sampled_from([2, 50]))}
    serials = draw(st.lists(st.sampled_from(SERIALS[part]), min_size=1, unique=True))
    lot = "K1" if part == "ROTOR" and draw(st.booleans()) else None
    return {**step, "lot": lot, "serials": serials}


_good = {"SAFETY": [{"characteristic": "EARTH", "value": 0.1}, {"characteristic": "VISUAL", "good": True}]}
_good["NOISE"] = [{"characteristic": "HUM", "good": True}]
_results = {
    "SAFETY": [_good["SAFETY"]] * 3
    + [_good["SAFETY"][:1], [{"characteristic": "EARTH", "value": 0.3}, _good["SAFETY"][1]]],
    "NOISE": [_good["NOISE"], [{"characteristic": "HUM", "good": False}]],
}


def _run(unit: Message, point: str, plan: str, measurements: list[Message]) -> Step:
    run = {"kind": "test-run", "unit": unit, "scan_point": point, "plan": plan}
    return {**run, "instrument": "T2", "measurements": measurements}


@st.composite
def _test_runs(draw: st.DrawFn) -> Step:
    plan = draw(st.sampled_from(["SAFETY", "SAFETY", "NOISE"]))
    run = _run(draw(dryers | built), draw(st.sampled_from(["RW", "C-20", *SCAN_POINTS])), plan, [])
    return {
        **run,
        "instrument": draw(_usually("T2", "T1", "T1", "T9")),
        "measurements": draw(st.sampled_from(_results[plan])),
        "verdict": draw(_sometimes(st.sampled_from(["pass", "fail"]))),
        "revision": draw(_sometimes(st.sampled_from(["R1", "R2"]))) if plan == "SAFETY" else None,
    }


@st.composite
def _calibrations(draw: st.DrawFn) -> Step:
    good = draw(_usually(True, False))
    due_on = draw(_usually("2026-12-31", "2026-03-01", "2026-03-02"))
    return {"kind": "calibration", "instrument": draw(_usually("T1", "T9")), "good": good, "due_on": due_on}


@st.composite
def _dispositions(draw: st.DrawFn) -> Step:
    item = draw(anything | dryers | packages)
    quantity = draw(st.integers(1, 3)) if "lot" in item else None
    step = {"kind": "disposition", "item": item, "quantity": quantity, "reason": "dented"}
    return {**step, "destination": draw(st.sampled_from(DESTINATIONS))}


@st.composite
def _transfers(draw: st.DrawFn) -> Step:
    part = draw(st.sampled_from(["SCREW", "SCREW", "SEAL", "CARTON", "LEAFLET"]))
    sources = draw(st.lists(lots(part), min_size=1, max_size=2, unique_by=str))
    portions = [{"lot": source, "quantity": draw(st.integers(1, 5))} for source in sources]
    return {"kind": "lot-transfer", "sources": portions, "into": draw(lots(part))}


@st.composite
def _corrections(draw: st.DrawFn) -> Step:
    """Of a row that an earlier message made; the sender knows its number, and what may truly have been there."""
    among = draw(st.sampled_from(["married", "married", "married", "removed", "loaded", "loaded", "tested"]))
    fitting = {"married": ["component", "unit"], "removed": [], "loaded": ["lot"], "tested": ["unit"]}[among]
    says = draw(st.lists(st.sampled_from(fitting), max_size=1)) if fitting else []
    says += draw(_usually([], ["lot"], ["component"]))
    truth = {name: draw(st.integers(0, 3)) for name in dict.fromkeys(says)}
    return {"kind": "correction", "among": among, "of": draw(st.integers(0, 40)), "truth": truth, "reason": "misread"}


# -- leaving


@st.composite
def _packings(draw: st.DrawFn) -> Step:
    step: Step = {"kind": "packing", "scan_point": draw(_usually("PK", "RW"))}
    new = draw(st.booleans())
    if new:
        step["packaging"] = draw(st.sampled_from(["BOX", "PALLET"]))
    else:
        step["into"] = draw(packages)
    part = step.get("packaging") or step["into"]["part"]
    fitting = dryers if part == "BOX" else serial_items("BOX", "DRYER-B")
    step["contents"] = draw(st.lists(fitting | fitting | fitting | anything, min_size=1, max_size=2, unique_by=str))
    return {**step, "mode": draw(_usually("ask", "tell"))}


@st.composite
def _shipments(draw: st.DrawFn) -> Step:
    action = draw(st.sampled_from(["load", "load", "unload", "despatch"]))
    step: Step = {"kind": "shipment", "scan_point": "SH", "action": action, "shipment": draw(_usually(*SHIPMENTS))}
    if action != "despatch":
        step["contents"] = draw(st.lists(dryers | packages, min_size=1, max_size=2, unique_by=str))
    if action == "load":
        step["consignee"] = draw(_usually("SHOP-1", *sorted(CONSIGNEES), "SHOP-9"))
    if action == "unload":
        step["reason"] = "wrong van"
    return {**step, "mode": draw(_usually("ask", "tell"))}


@st.composite
def _returns(draw: st.DrawFn) -> Step:
    consignee = draw(_sometimes(st.sampled_from([*sorted(CONSIGNEES), "SHOP-9"])))
    step = {"kind": "customer-return", "unit": draw(dryers), "scan_point": draw(_usually("GOODS-IN", "RW"))}
    return {**step, "consignee": consignee, "reason": "loud", "mode": draw(_usually("ask", "tell"))}


@st.composite
def _labels(draw: st.DrawFn) -> Step:
    items = draw(st.lists(dryers, min_size=1, max_size=2, unique_by=str))
    step = {"kind": "label-print", "label": "unit", "symbol": "gs1-datamatrix", "items": items}
    return {**step, "reason": draw(_sometimes(st.just("torn")))}


@st.composite
def _blocks(draw: st.DrawFn) -> Step:
    part = draw(st.sampled_from([part for part in PARTS if PARTS[part].get("made")]))
    return {"kind": "number-block", "part": part, "count": draw(st.integers(1, 2)), "reason": "offline"}


@st.composite
def _orders(draw: st.DrawFn) -> Step:
    part = draw(st.sampled_from(["DRYER-A", "DRYER-B", "DRYER-C"]))
    order: Message = {"order": draw(st.sampled_from(["O1", "O2", "O3"])), "sequence": draw(st.integers(0, 2))}
    order |= {"part": part, "quantity": draw(st.sampled_from([0, 1, 1, 2]))}
    if order["quantity"] < 2 and draw(st.booleans()):
        order["serial"] = draw(st.sampled_from([*SERIALS[part], "F0003"]))
    if part != "DRYER-C" and draw(st.booleans()):
        order["parts"] = [{"position": "SCREWS", "part": draw(st.sampled_from(["SCREW", "SCREW-2"]))}]
    line = draw(_usually(BUILT_AT[part][0][0], "X", "B"))
    return {"kind": "build-order", "line": line, "orders": [order]}


# -- whole lives, asked for, so that something is finished and may leave


def _asked(*messages: Step) -> Step:
    return {"kind": "several", "messages": [{**message, "mode": "ask"} for message in messages]}


def _married(part: str, serial: str, point: str, *components: tuple[str, str]) -> Step:
    unit = {"part": part, "serial": serial}
    items: list[Step] = [{"item": {"part": of, "serial": code}} for of, code in components]
    return {"kind": "marriage", "unit": unit, "scan_point": point, "components": items}


@st.composite
def _lives(draw: st.DrawFn) -> Step:
    """A DRYER-C is built and tested; often it leaves."""
    whole = [("C1", ("MOTOR-2", "N1"), "H4"), ("C2", ("MOTOR-2", "N2"), "H5"), ("C3", ("MOTOR", "M3"), "H6")]
    serial, motor, heater = draw(st.sampled_from(whole))
    unit = {"part": "DRYER-C", "serial": serial}
    build = _married("DRYER-C", serial, "C-10", motor, ("HEATER", heater))
    start = {"kind": "unit-start", **unit, "scan_point": "C-10"}
    test, leaflet = _run(unit, "C-20", "SAFETY", _good["SAFETY"]), _married("DRYER-C", serial, "C-30")
    repaired = [test, _repair(unit, heater, draw(st.sampled_from(["H1", "H2", "H3"]))), test]
    return _asked(start, build, *draw(st.sampled_from([[test], repaired])), leaflet, *draw(_goodbyes(unit)))


def _repair(unit: Message, old: str, new: str) -> Step:
    """Another heater goes in."""
    out, replacement = ({"part": "HEATER", "serial": serial} for serial in (old, new))
    removal = {"kind": "removal", "scan_point": "RW", "unit": unit, "component": out, "reason": "noisy"}
    return {**removal, "destination": "scrap", "replacement": {"item": replacement}}


@st.composite
def _other_lives(draw: st.DrawFn) -> Step:
    """A DRYER-B is built from its pump on; often it leaves."""
    serial = draw(st.sampled_from(SERIALS["DRYER-B"]))
    pump, rotors, heaters = draw(
        st.sampled_from([("P1", ["R1", "R2"], ["H1", "H2"]), ("P2", ["R3", "R4"], ["H3", "H4"])])
    )
    built_pump = _married("PUMP", pump, "P-10", *(("ROTOR", rotor) for rotor in rotors))
    build = _married("DRYER-B", serial, "A-10", ("PUMP", pump), *(("HEATER", heater) for heater in heaters))
    screws, leaflet = _married("DRYER-B", serial, "A-20"), _married("DRYER-B", serial, "PK")
    return _asked(built_pump, build, screws, leaflet, *draw(_goodbyes({"part": "DRYER-B", "serial": serial})))


@st.composite
def _goodbyes(draw: st.DrawFn, unit: Message) -> list[Step]:
    """A unit is packed or not, loaded, despatched, and comes back: up to where the draw ends."""
    load = {"kind": "shipment", "scan_point": "SH", "action": "load", "consignee": "SHOP-1", "shipment": "W1"}
    despatch = {"kind": "shipment", "scan_point": "SH", "action": "despatch", "shipment": "W1"}
    unload = {**despatch, "action": "unload", "reason": "wrong van"}
    back = {"kind": "customer-return", "unit": unit, "scan_point": "GOODS-IN", "reason": "loud"}
    box = {"part": "BOX", "serial": draw(st.sampled_from(SERIALS["BOX"]))}
    begin = {"kind": "unit-start", "scan_point": "PK", **box}
    pack = {"kind": "packing", "scan_point": "PK", "packaging": "BOX", "contents": [unit]}
    pallet = {"part": "PALLET", "serial": draw(st.sampled_from(SERIALS["PALLET"]))}
    stack = {"kind": "packing", "scan_point": "PK", "packaging": "PALLET", "contents": [box]}
    papers = {"kind": "marriage", "scan_point": "PK", "unit": pallet}
    ways = [
        [],
        [pack],
        [begin, {**pack, "packaging": None, "into": box}],
        [pack, stack],
        [pack, stack, papers, {**load, "contents": [pallet]}, despatch],
        [pack, {**load, "contents": [box]}],
        [pack, {**load, "contents": [box]}, despatch],
        [pack, {**load, "contents": [box]}, despatch, back],
        [{**load, "contents": [unit]}],
        [{**load, "contents": [unit]}, {**unload, "contents": [unit]}],
        [{**load, "contents": [unit]}, despatch],
        [{**load, "contents": [unit]}, despatch, back],
    ]
    return list(draw(st.sampled_from(ways)))


@st.composite
def _holds(draw: st.DrawFn) -> Step:
    if draw(st.booleans()):
        return {"kind": "hold", "action": "place", "item": draw(anything | built), "reason": "seen"}
    return {"kind": "hold", "action": "release", "of": draw(st.integers(0, 9)), "reason": "looked at"}


_mostly = st.sampled_from([False, True, True, True, True, True])
_repeats = st.fixed_dictionaries({"kind": st.sampled_from(["repeat", "reuse"]), "of": st.integers(0, 30)})

# A pause stands first and shrinks best: a failing history loses its steps although their number is fixed.
_kinds = st.one_of(
    st.just({"kind": "pause"}),
    _usual_marriages(),
    _usual_marriages(),
    _any_marriages(),
    _any_marriages(),
    _draws(),
    _draws(),
    _removals(),
    _removals(),
    _loadings(),
    _loadings(),
    _starts(),
    _receipts(),
    _test_runs(),
    _test_runs(),
    _calibrations(),
    _holds(),
    _dispositions(),
    _transfers(),
    _corrections(),
    _corrections(),
    _packings(),
    _shipments(),
    _returns(),
    st.one_of(_labels(), _blocks(), _orders()),
    _lives(),
    _lives(),
    _other_lives(),
    _repeats,
)

_steps = st.tuples(
    _kinds,
    st.fixed_dictionaries(
        {
            "mode": st.sampled_from(["ask", "tell"]),
            "later": st.sampled_from([0, 0, 0, 0, 1]),
            "at": _sometimes(st.integers(0, len(INSTANTS) - 1)),
            "operator": st.sampled_from(OPERATORS),
            "joined": st.booleans(),
        }
    ),
)


def _opening() -> list[Step]:
    """A morning on which everything has been delivered, loaded and started, so that most asks are accepted."""
    goods: list[Message] = [
        {"kind": "receipt", "part": "ROTOR", "supplier": "S1", "serials": SERIALS["ROTOR"]},
        {"kind": "receipt", "part": "CARTON", "supplier": "S2", "lot": "C1", "quantity": 50},
        {"kind": "calibration", "instrument": "T1", "good": True, "due_on": "2026-12-31"},
    ]
    first = {"SCREWS": ("SCREW", "S1"), "CLIPS": ("SCREW", "S2"), "SEALS": ("SEAL", "E1"), "CARTON": ("CARTON", "C1")}
    first |= {"LEAFLET": ("LEAFLET", "L1"), "PAPERS": ("LEAFLET", "L1")}
    opened = {"kind": "lot-loading", "scan_point": "P-10", "position": "SEALS", "lot": {"part": "SEAL", "lot": "E3"}}
    loaded: list[Message] = [
        {
            "kind": "lot-loading",
            "scan_point": point,
            "position": code,
            "lot": dict(zip(("part", "lot"), first[code], strict=True)),
        }
        for point, code in _USES
    ]
    started: list[Message] = [
        {"kind": "unit-start", "part": part, "serial": serial, "scan_point": BUILT_AT[part][0]}
        for part in _BUILT
        for serial in SERIALS[part]
    ]
    return [*goods, {**opened, "at": HOUR_BEFORE}, *loaded, *started]


@dataclass
class History:
    """Messages in the order in which they are sent, some of them together; and the moments that are asked about.

    `of` in a release is the place of its hold among those placed until then, in a correction that of the wrong row
    among those made; the sender puts its number there.
    """

    together: list[list[Message]] = field(default_factory=list)
    moments: list[str] = field(default_factory=list)

    @property
    def messages(self) -> list[Message]:
        """All of them."""
        return [message for some in self.together for message in some]


@st.composite
def histories(draw: st.DrawFn, most: int) -> History:
    """Histories of up to so many steps."""
    opened = [step for step in _opening() if draw(_mostly)]
    steps = draw(st.lists(_steps, min_size=most // 2, max_size=most))
    history = History(moments=draw(st.lists(st.sampled_from(INSTANTS), min_size=2, max_size=2, unique=True)))
    for step in opened:
        _say(history, step, {"mode": "ask", "operator": "B1", "joined": True}, INSTANTS[0])
    now, put = 0, list[tuple[Message, Any, str | None]]()
    quiet = {"mode": "ask", "later": 0, "at": None, "operator": "B1", "joined": True}
    for step, how in [*((life, quiet) for life in draw(st.lists(_lives() | _other_lives(), max_size=4))), *steps]:
        now = min(now + how["later"], len(INSTANTS) - 1)
        at = INSTANTS[now if how["at"] is None else how["at"]]
        for message in _written(step, put, history.messages):
            _say(history, message, how, at)
    return history


def _written(step: Step, put: list[tuple[Message, Any, str | None]], sent: list[Message]) -> Iterable[Step]:
    """The messages that a step becomes."""
    if step["kind"] == "marriage":
        put += [(step["unit"], one["item"], one.get("position")) for one in step.get("components", ())]
    elif step["kind"] == "packing" and "into" in step:
        put += [(step["into"], item, None) for item in step["contents"]]
    elif step["kind"] == "removal" and "of" in step:
        yield from _taken_out(step, put)
        return
    elif step["kind"] in ("repeat", "reuse"):
        if sent:
            again = sent[step["of"] % len(sent)]
            yield again if step["kind"] == "repeat" else {**again, "operator": "B3"}
        return
    elif step["kind"] == "several":
        for message in step["messages"]:
            yield from _written(message, put, sent)
        return
    elif step["kind"] == "pause":
        return
    yield step


def _taken_out(step: Step, put: list[tuple[Message, Any, str | None]]) -> Iterable[Step]:
    if not put:
        return
    unit, item, position = put[-1 - step["of"] % len(put)]
    if position is None:
        position = _likely(unit["part"], item)
    said: Step = {name: step[name] for name in ("kind", "scan_point", "destination")}
    said |= {"unit": unit, "reason": "noisy"}
    if step["by"] != "position":
        said["component"] = item
    if step["by"] != "component":
        said |= {"position": position, "slot": step["slot"]}
    if step["replacement"] is not None:
        said["replacement"] = {"item": step["replacement"]}
    yield said
    if step["into"] is not None:
        put.append((step["into"], item, None))
        yield {"kind": "marriage", "unit": step["into"], "scan_point": "RW", "components": [{"item": item}]}


def _likely(part: str, item: Any) -> str:
    """The first position of a part that takes an item, else its first."""
    wanted = item["part"] if isinstance(item, dict) else "MOTOR"
    positions = sorted(POSITIONS[part])
    return next((code for code in positions if wanted in POSITIONS[part][code]["takes"]), positions[0])


def _say(history: History, said: Step, how: Step, at: str) -> None:
    if "message_id" not in said:
        head = {"message_id": f"m{len(history.messages)}", "occurred_at": said.get("at", at)}
        body = {name: value for name, value in said.items() if value is not None and name != "at"}
        said = {**head, "operator": how["operator"], "mode": how["mode"], **body}
        if "components" in said:
            said["components"] = [
                {name: value for name, value in component.items() if value is not None}
                for component in said["components"]
            ]
    if how["joined"] and history.together:
        history.together[-1].append(said)
    else:
        history.together.append([said])
