"""Random histories of the plant: steps that are drawn apart, and the messages that they become.

Steps do not depend on each other until they are written down, so that a failing history shrinks step by step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

from api_tests.histories.factory import BUILT_AT, CONSIGNEES, INSTRUMENTS, PARTS, POSITIONS, SCAN_POINTS

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
CASES = ["X1", "X2"]
DAYS = ["2026-02-02", "2026-02-03"]
"""Days of production."""

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
    step: Step = {"kind": "receipt", "part": part, "supplier": draw(st.sampled_from(["S1", "S2"]))}
    step["produced_on"] = draw(st.none() | st.sampled_from(DAYS))
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
def _lives(draw: st.DrawFn, *, stays: bool = False) -> Step:
    """A DRYER-C is built and tested; often it leaves."""
    whole = [("C1", ("MOTOR-2", "N1"), "H4"), ("C2", ("MOTOR-2", "N2"), "H5"), ("C3", ("MOTOR", "M3"), "H6")]
    serial, motor, heater = draw(st.sampled_from(whole))
    unit = {"part": "DRYER-C", "serial": serial}
    build = _married("DRYER-C", serial, "C-10", motor, ("HEATER", heater))
    start = {"kind": "unit-start", **unit, "scan_point": "C-10"}
    test, leaflet = _run(unit, "C-20", "SAFETY", _good["SAFETY"]), _married("DRYER-C", serial, "C-30")
    repaired = [test, _repair(unit, heater, draw(st.sampled_from(["H1", "H2", "H3"]))), test]
    tested = draw(st.sampled_from([[test], repaired]))
    return _asked(start, build, *tested, leaflet, *([] if stays else draw(_goodbyes(unit))))


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


# -- containment


windows = st.tuples(_usually(INSTANTS[0], *INSTANTS), st.sampled_from(INSTANTS)).filter(lambda ends: ends[0] < ends[1])


@st.composite
def _any_of(draw: st.DrawFn) -> Message:
    """Work and deliveries in a time, serial ranges, days, values, items: one of these, or two."""
    since, until = draw(windows)
    window = {"from": since, "to": until}
    worked = draw(
        st.sampled_from(
            [
                *({"scan_point": code} for code in SCAN_POINTS),
                *({"operator": code} for code in OPERATORS),
                *({"instrument": code} for code in INSTRUMENTS),
                {"operator": "B1", "scan_point": "P-10"},
            ]
        )
    )
    part, day = draw(st.sampled_from(list(SERIALS))), draw(st.sampled_from(DAYS))
    first, last = sorted(draw(st.tuples(st.sampled_from(SERIALS[part]), st.sampled_from(SERIALS[part]))))
    supplier = draw(st.sampled_from(["S1", "S2"]))
    limit = {draw(st.sampled_from(["at_least", "at_most"])): 0.2}
    every: Message = {
        "worked": [{**worked, **window}],
        "received": [{"supplier": supplier, **window}],
        "serial_ranges": [{"part": part, "from": first, "to": last}],
        "produced": [{"part": draw(st.sampled_from(["ROTOR", "SCREW", "CARTON"])), "from": day, "to": DAYS[-1]}],
        "measured": [{"plan": "SAFETY", "characteristic": "EARTH", **limit, **window}],
        "items": draw(st.lists(anything, min_size=1, max_size=2, unique_by=str)),
    }
    if draw(st.booleans()):
        every["produced"][0]["supplier"] = supplier
    kinds = draw(st.lists(st.sampled_from(list(every)), min_size=1, max_size=2, unique=True))
    return {kind: every[kind] for kind in kinds}


@st.composite
def alarms(draw: st.DrawFn) -> Message:
    """Suspects of any kind; sometimes only what is affected by others as well, or what is not by some."""
    own = draw(_any_of())
    others = draw(_sometimes(st.lists(_any_of(), min_size=1, max_size=2)))
    spared = draw(_sometimes(_any_of()))
    return {**own, **({"all_of": others} if others else {}), **({"except": spared} if spared else {})}


_often: list[Message] = [
    {"items": [{"part": "SCREW", "lot": "S1"}]},
    {"items": [{"part": "SCREW", "lot": "S1"}, {"part": "LEAFLET", "lot": "L1"}]},
    {"items": [{"part": "SEAL", "lot": "E1"}, {"part": "CARTON", "lot": "C1"}]},
    {"serial_ranges": [{"part": "HEATER", "from": "H2", "to": "H5"}]},
    {"worked": [{"scan_point": "C-10", "from": INSTANTS[0]}]},
    {"measured": [{"plan": "SAFETY", "characteristic": "EARTH", "at_most": 0.1, "from": INSTANTS[0]}]},
    {"items": [{"part": "SCREW", "lot": "S1"}], "all_of": [{"worked": [{"operator": "B1", "from": INSTANTS[0]}]}]},
    {"items": [{"part": "SCREW", "lot": "S1"}], "except": {"items": [{"part": "HEATER", "serial": "H4"}]}},
]
_suspects = st.one_of(anything.map(lambda item: {"items": [item]}), *[st.sampled_from(_often)] * 4, alarms())


def _contained(case: str, action: str, **said: Any) -> Step:
    return {"kind": "containment", "case": case, "action": action, "reason": "cracks were reported", **said}


def _frozen(case: str, suspects: Message) -> list[Step]:
    return [_contained(case, "open", suspects=suspects, title="Cracks"), _contained(case, "freeze")]


def _decided(case: str, decision: str, of: Any, **said: Any) -> Step:
    """`of` is the item, or its place among those that the case lists then, or all of them."""
    step: Step = {"kind": "case-decision", "case": case, "decision": decision, "authority": "board", "reason": "seen"}
    step |= {"items": [of], **said} if isinstance(of, dict) else {"of": of, **said}
    return {**step, "concession": "K-7", "signed_by": "B9"} if decision == "use as is" else step


def _noticed(case: str, action: str, **said: Any) -> Step:
    return {"kind": "notice", "case": case, "action": action, **said}


def _all_noticed(case: str) -> list[Step]:
    """One consignee is told, and asked."""
    shop = {"consignee": "SHOP-1"}
    sent, plan = _noticed(case, "sent", how="letter", **shop), _noticed(case, "plan", level="A", seed="dice-dice")
    return [sent, plan, _noticed(case, "checked", effective=True, **shop)]


@st.composite
def _cases(draw: st.DrawFn) -> Step:
    """A case is frozen, decided, closed, opened again; notices; a count."""
    case = draw(_usually(*CASES, "X71", "X73", "X75", "X76", "X78"))
    decision = draw(st.sampled_from(["use as is", "rework", "scrap", "return to supplier", "not recovered", "rework"]))
    level = draw(st.sampled_from(["A", "E"]))
    ways: list[list[Step]] = [
        _frozen(case, draw(_suspects)),
        [*_frozen(case, draw(_suspects)), _contained(case, "freeze", suspects=draw(_suspects))],
        [_contained(case, "freeze")],
        [_decided(case, decision, draw(st.integers(0, 20)))],
        [_decided(case, decision, draw(st.integers(0, 20)))],
        [_decided(case, "use as is", "all"), _contained(case, "close", unaccounted="spilled")],
        [_contained(case, "close")],
        [_contained(case, "reopen")],
        [_contained(case, "reopen"), _contained(case, "freeze", suspects=draw(_suspects))],
        [_noticed(case, "plan", level=level, seed="dice-dice")],
        [_noticed(case, "sent", consignee=draw(st.sampled_from(["SHOP-1", "SHOP-2", "SHOP-9"])), how="letter")],
    ]
    mode, steps = draw(st.sampled_from(["ask", "ask", "tell"])), draw(st.sampled_from(ways))
    return {"kind": "several", "messages": [{**message, "mode": mode} for message in steps]}


@st.composite
def _counts(draw: st.DrawFn) -> Step:
    return {"kind": "stock-count", "lot": draw(lots(*LOTS)), "quantity": draw(st.sampled_from([0, 3, 40]))}


@st.composite
def _late(draw: st.DrawFn, suspect: Message) -> Step:
    """Told after a freeze, of a time before or after it: units drew what was up, a suspect went in, lots changed."""
    unit = draw(built)
    point = draw(st.sampled_from(BUILT_AT[unit["part"]]))
    drawn: Step = {"kind": "marriage", "unit": unit, "scan_point": point}
    scanned = {**drawn, "scan_point": "RW", "components": [{"item": suspect}]}
    changed = _loaded(draw(st.sampled_from(["C-10", "A-20", "B-20"])), "SCREWS", "SCREW", "S2")
    poured: Step = {"kind": "lot-transfer", "sources": [{"lot": {"part": "SCREW", "lot": "S1"}, "quantity": 2}]}
    poured |= {"into": {"part": "SCREW", "lot": "S3"}}
    step: Step = draw(st.sampled_from([drawn, drawn, drawn, scanned, scanned, changed, poured]))
    return {**step, "mode": "tell", "at": draw(st.sampled_from(INSTANTS[:4]))}


@st.composite
def _recalls(draw: st.DrawFn) -> tuple[Step, Step]:
    """A dryer is built, often leaves; later something in it is suspected, and what is to be done about that is done."""
    life = draw(_lives(stays=draw(st.booleans())))
    loads = [_loaded("C-10", "SCREWS", "SCREW", "S1"), _loaded("C-30", "LEAFLET", "LEAFLET", "L1")]
    build = next(message for message in life["messages"] if message["kind"] == "marriage")
    unit, suspect = build["unit"], draw(st.sampled_from([one["item"] for one in build["components"]]))
    suspects = draw(st.just({"items": [suspect]}) | st.just({"items": [suspect]}) | _suspects)
    out = {"kind": "removal", "scan_point": "RW", "unit": unit, "component": suspect, "reason": "noisy"}
    spare = "H3" if suspect["part"] == "HEATER" else "N2"
    spared = {"part": suspect["part"] if suspect["part"] == "HEATER" else "MOTOR-2", "serial": spare}
    out |= {"destination": draw(st.sampled_from(["stock", "scrap"])), "replacement": {"item": spared}}
    scrapped = {"kind": "disposition", "item": suspect, "destination": "scrap", "reason": "cracked"}
    tested = _run(unit, "RW", "SAFETY", _good["SAFETY"])
    reworked = [out, tested, _decided("X1", "rework", unit), _decided("X1", "scrap", suspect), scrapped]
    back = {"kind": "customer-return", "unit": unit, "scan_point": "GOODS-IN", "reason": "loud"}
    again = {"kind": "marriage", "scan_point": "RW", "unit": unit, "components": [{"item": suspect}]}
    close, reopen = _contained("X1", "close", unaccounted="spilled"), _contained("X1", "reopen")
    refrozen = [_contained("X1", "freeze", suspects=draw(_suspects))]
    used = _decided("X1", "use as is", "all")
    ways: list[list[Step]] = [
        [],
        [back],
        reworked,
        [*reworked, close],
        [*reworked, {**out, "component": spared, "replacement": None}, again],
        [*_all_noticed("X1"), _decided("X1", "corrected in the field", unit), used, close],
        [used, close, reopen],
        [*refrozen],
        [*reworked, *refrozen, _contained("X1", "freeze", suspects=suspects)],
    ]
    done = _asked(*_frozen("X1", suspects), *draw(st.sampled_from(ways)))
    late = draw(st.lists(_late(suspect), min_size=1, max_size=4))
    return _asked(*loads, *life["messages"]), {**done, "messages": [*done["messages"], *late]}


# -- whole cases, each with units and lots of its own, so that all that may become of one surely is seen


def _lot(code: str) -> Message:
    return {"part": "SCREW", "lot": code}


def _serial(part: str, code: str) -> Message:
    return {"part": part, "serial": code}


def _put_up(lot: str | None, feeder: str | None = None, **said: Any) -> Step:
    """Screws at C-10."""
    screws = None if lot is None else _lot(lot)
    return {**_loaded("C-10", "SCREWS", "SCREW", ""), "lot": screws, "feeder": feeder, **said}


def _told_of(step: Step) -> Step:
    return {**step, "mode": "tell"}


def _in_goods(part: str, serial: str) -> Step:
    return {"kind": "receipt", "part": part, "supplier": "S1", "serials": [serial]}


def _whole(number: str) -> list[Step]:
    """A DRYER-C from its start to its leaflet."""
    unit = _serial("DRYER-C", f"C{number}")
    build = _married("DRYER-C", unit["serial"], "C-10", ("MOTOR-2", f"N{number}"), ("HEATER", f"H{number}"))
    leaflet = _married("DRYER-C", unit["serial"], "C-30")
    start: Step = {"kind": "unit-start", **unit, "scan_point": "C-10"}
    return [start, build, _run(unit, "C-20", "SAFETY", _good["SAFETY"]), leaflet]


def _taken(number: str, destination: str, replacement: str | None) -> Step:
    """The heater of a dryer comes out."""
    out: Step = {"kind": "removal", "scan_point": "RW", "unit": _serial("DRYER-C", f"C{number}"), "reason": "noisy"}
    out |= {"component": _serial("HEATER", f"H{number}"), "destination": destination}
    return out if replacement is None else {**out, "replacement": {"item": _serial("HEATER", replacement)}}


_close, _reopen = {"action": "close", "unaccounted": "spilled"}, {"action": "reopen"}


@st.composite
def _rising(draw: st.DrawFn, before: str, after: str) -> list[Step]:
    """What may be in a unit turns out to be in it: the other feeder was empty, or a suspect goes in as well."""
    unit, spare = _serial("DRYER-C", "C71"), _serial("HEATER", "H72")
    suspects = {"items": [_lot("S71"), spare]}
    empty: Step = {**_put_up(None, "2", position="SCREWS"), "at": before}
    add: Step = {"kind": "marriage", "scan_point": "RW", "unit": unit, "components": [{"item": spare}]}
    out: Step = {**_taken("71", "stock", None), "at": after}
    correction: Step = {"kind": "correction", "among": "married", "of": 0, "truth": {}, "reason": "misread"}
    rises = draw(st.sampled_from([[empty], [out, {**add, "at": after}]]))
    decided = draw(st.sampled_from([[], [_decided("X71", "use as is", unit)], [_decided("X71", "scrap", unit)]]))
    reworked = _decided("X71", "rework", unit)
    then = draw(st.sampled_from([[], [reworked], [_told_of(reworked)], [_told_of(correction)]]))
    ready = [_in_goods("HEATER", "H72"), *({**_put_up(*up), "at": before} for up in (("S71", None), ("S72", "2")))]
    down: Step = {**_put_up(None, "2", position="SCREWS"), "at": after}
    return [*ready, *_whole("71"), *_frozen("X71", suspects), *decided, *map(_told_of, rises), *then, down]


@st.composite
def _undone(draw: st.DrawFn, before: str, after: str) -> list[Step]:
    """A unit is reworked; then it is told that the suspect never came out, or went in again."""
    unit, suspect = _serial("DRYER-C", "C73"), _serial("HEATER", "H73")
    correction: Step = {"kind": "correction", "among": "removed", "of": 0, "truth": {}, "reason": "never came out"}
    again: Step = {"kind": "marriage", "scan_point": "RW", "unit": unit, "components": [{"item": suspect}]}
    tested = _run(unit, "RW", "SAFETY", _good["SAFETY"])
    spared = draw(st.booleans())
    rework = [_taken("73", draw(st.sampled_from(["stock", "scrap"])), "H74" if spared else None), tested]
    decided = [_decided("X73", "rework", unit), _decided("X73", "scrap", suspect)]
    undone = draw(
        st.sampled_from([[correction], [{**again, "at": before}], [{**again, "at": after}], [again, correction]])
    )
    froze = _frozen("X73", draw(st.sampled_from([{"items": [suspect]}, _ranged("HEATER", "H73")])))
    return [{**_put_up("S73"), "at": before}, *_whole("73"), *froze, *rework, *decided, *map(_told_of, undone)]


def _ranged(part: str, serial: str) -> Message:
    return {"serial_ranges": [{"part": part, "from": serial, "to": serial}]}


@st.composite
def _in_the_field(draw: st.DrawFn, before: str, after: str) -> list[Step]:
    """A unit left; its consignee is told and asked, and the case closes; sometimes the unit comes back after that."""
    unit, case = _serial("DRYER-C", "C75"), "X75"
    load: Step = {"kind": "shipment", "scan_point": "SH", "action": "load", "consignee": "SHOP-1", "shipment": "W7"}
    despatch: Step = {"kind": "shipment", "scan_point": "SH", "action": "despatch", "shipment": "W7"}
    back: Step = {"kind": "customer-return", "unit": unit, "scan_point": "GOODS-IN", "reason": "loud"}
    corrected = _decided(case, draw(st.sampled_from(["corrected in the field", "not recovered"])), unit)
    sent, plan, checked = _all_noticed(case)
    plan |= {"level": draw(_usually("A", "E"))}
    close = _contained(case, **_close)
    steps = [sent, plan, checked, corrected, _decided(case, "use as is", "all")]
    left_out = draw(st.sampled_from([None, None, None, *range(5)]))
    done = [step for place, step in enumerate(steps) if place != left_out]
    reopen = _contained(case, **_reopen)
    then = draw(st.sampled_from([[], [back], [back, reopen], [reopen, {**back, "at": after}]]))
    if draw(st.booleans()):
        done += [_told_of(close) if draw(st.booleans()) else close]
    suspects = draw(st.sampled_from([{"items": [_serial("MOTOR-2", "N75")]}, {"items": [_lot("S75")]}]))
    froze = _frozen(case, suspects)
    gone = [{**load, "contents": [unit]}, despatch]
    ready: Step = {**_put_up("S75"), "at": before}
    return [ready, *_whole("75"), *gone, *froze, *done, close, *map(_told_of, then)]


@st.composite
def _carried_out(draw: st.DrawFn, before: str, after: str) -> list[Step]:
    """A lot, its container and a heater are scrapped or sent back, the case closes; later some is back in stock."""
    case, lot, heater, box = "X76", _lot("S76"), _serial("HEATER", "H76"), _lot("S77")
    decision, went = draw(st.sampled_from([("scrap", "scrap"), ("return to supplier", "supplier")]))
    other = draw(_usually(went, *DESTINATIONS))
    receipt: Step = {"kind": "receipt", "part": "SCREW", "supplier": "S1", "lot": "S76", "quantity": 9}
    pour: Step = {"kind": "lot-transfer", "sources": [{"lot": lot, "quantity": 4}], "into": box}
    known: Step = {**_in_goods("HEATER", "H76"), "at": before}
    gone: Step = {"kind": "disposition", "reason": "cracked", "destination": went}
    emptied: Step = {**gone, "item": lot, "quantity": draw(_usually(5, 4))}
    count: Step = {"kind": "stock-count", "lot": box, "quantity": draw(st.sampled_from([1, 4]))}
    rest: Step = {**gone, "item": box, "quantity": count["quantity"], "destination": other}
    heater_gone: Step = {**gone, "item": heater}
    decided = [_decided(case, decision, item) for item in (lot, box, heater)]
    close: Step = {**_contained(case, **_close), **({} if draw(st.booleans()) else {"unaccounted": None})}
    reopen = _contained(case, **_reopen)
    back: Step = {**gone, "item": draw(st.sampled_from([lot, box, heater])), "destination": "stock"}
    back |= {"at": after} if "serial" in back["item"] else {"quantity": 1}
    then = draw(st.sampled_from([[], [reopen, back], [back, reopen], [back, close], [reopen, back, close]]))
    froze = _frozen(case, {"items": [lot, heater]})
    left = [emptied, count, rest, heater_gone]
    return [receipt, pour, known, *froze, *decided, *left, close, *map(_told_of, then)]


@st.composite
def _sorted(draw: st.DrawFn, before: str, after: str) -> list[Step]:
    """Units that are affected, certainly or perhaps, are drawn and inspected, and what is good is let go."""
    case, units = "X78", [_serial("DRYER-C", code) for code in ("C78", "C79", "C80")]
    listed = draw(st.sampled_from(["possible", "certain"]))
    ready = [{**_put_up("S78"), "at": before}]
    ready += [{**_put_up("S79", "2"), "at": before}] if listed == "possible" else []
    built_ones = [{"kind": "unit-start", **unit, "scan_point": "C-10"} for unit in units]
    drawn = [{"kind": "marriage", "scan_point": "C-10", "unit": unit} for unit in units]
    sort: Step = {
        "kind": "sorting",
        "case": case,
        "sorting": "Z1",
        "listed": listed,
        "seed": draw(st.sampled_from(_SEEDS)),
    }
    sort |= {"rule": draw(st.sampled_from(["all", "hypergeometric", "success run"])), "confidence": 0.75}
    sort |= {"fraction": draw(st.sampled_from([0.4, 0.6])), "part": draw(st.sampled_from([None, "DRYER-C"]))}
    looks = [
        {"kind": "inspection", "case": case, "sorting": "Z1", "of": place, "good": draw(_usually(True, False))}
        for place in range(draw(_usually(3, 1)))
    ]
    late: Step = {**drawn[0], "unit": _serial("DRYER-C", "C3")}
    more = [_told_of(late)] if draw(st.booleans()) else []
    good = [_decided(case, "verified good", unit, sorting="Z1") for unit in (*units, late["unit"])]
    decided = [_told_of(step) if draw(st.booleans()) else step for step in good]
    again = draw(st.sampled_from([[], [{**sort, "sorting": "Z2"}], [sort], [{**looks[0], "item": units[0]}]]))
    closing = [_decided(case, "use as is", "all"), _contained(case, **_close)]
    down = _told_of({**_put_up(None, "2", position="SCREWS"), "at": after})
    steps = [sort, *more, *looks, *decided, *again, *draw(st.sampled_from([[], closing]))]
    return [*ready, *built_ones, *drawn, *_frozen(case, {"items": [_lot("S78")]}), *steps, down]


_SEEDS = ["seed-one", "seed-two", "seed-three"]


@st.composite
def _whole_cases(draw: st.DrawFn) -> list[tuple[Step, dict[str, Any]]]:
    """Some of these, one after another; what names earlier answers is posted after them."""
    chosen = draw(st.permutations([_rising, _undone, _in_the_field, _carried_out, _sorted]))[: draw(st.integers(2, 3))]
    steps = []
    for place, one in enumerate(chosen):
        before, after = INSTANTS[2 * place + 1], INSTANTS[2 * place + 3]
        how = {"mode": "ask", "later": 0, "at": 2 * place + 2, "operator": "B1"}
        steps += [(step, {**how, "joined": "of" not in step}) for step in draw(one(before, after))]
    return steps


def _loaded(point: str, position: str, part: str, lot: str) -> Step:
    return {"kind": "lot-loading", "scan_point": point, "position": position, "lot": {"part": part, "lot": lot}}


@st.composite
def _told(draw: st.DrawFn) -> Step:
    """What was done all the same, of the kinds that change what is affected; lots of it draw what is up."""
    step = draw(_draws() | _draws() | _usual_marriages() | _loadings() | _removals() | _transfers())
    return {**step, "mode": "tell"}


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
    _cases(),
    _cases(),
    _told(),
    _told(),
    _told(),
    _counts(),
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
    among those made, in a decision that of the thing among those listed, in an inspection that of the thing among
    those drawn last; the sender puts its number or name there.
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
    cases = draw(_whole_cases())
    quiet = {"mode": "ask", "later": 0, "at": None, "operator": "B1", "joined": True}
    life, recall = draw(_recalls())
    lives = [life, *draw(st.lists(_other_lives() | _lives(), max_size=3)), recall]
    for step, how in [*((life, quiet) for life in lives), *cases, *steps]:
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
    said: Step = {name: step[name] for name in ("kind", "scan_point", "destination", "mode") if name in step}
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
