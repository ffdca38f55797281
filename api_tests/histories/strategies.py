"""Random histories of the plant: steps that are drawn apart, and the messages that they become.

Steps do not depend on each other until they are written down, so that a failing history shrinks step by step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

from api_tests.histories.factory import BUILT_AT, PARTS, POSITIONS, SCAN_POINTS

Step = dict[str, Any]
Message = dict[str, Any]

INSTANTS = [f"2026-03-02T06:00:{second:02}Z" for second in range(16)]
"""The only moments at which anything happens, so that ties and overlaps are frequent."""

SERIALS = {
    "DRYER-A": ["A1", "A2", "A3"],
    "DRYER-B": ["B1", "B2"],
    "MODULE": ["D1", "D2", "D3"],
    "PUMP": ["P1", "P2", "P3", "P4"],
    "MOTOR": ["M1", "M2", "M3"],
    "MOTOR-2": ["N1", "N2"],
    "HEATER": ["H1", "H2", "H3", "H4"],
    "ROTOR": ["R1", "R2", "R3", "R4"],
}
LOTS = {
    "SCREW": ["S1", "S2", "S3"],
    "SCREW-2": ["T1"],
    "SEAL": ["E1", "E2", "E3"],
    "CARTON": ["C1", "C2"],
}
LOT_OF_MOTOR = {"M1": "K1", "M2": "K1", "M3": "K2"}
OPERATORS = ["B1", "B2"]
INSTRUMENTS = ["T1", "T2"]

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
anything = serial_items(*SERIALS) | lots(*LOTS)
motor_labels = st.sampled_from([f"{lot}-{serial}" for serial, lot in LOT_OF_MOTOR.items()])


def _sometimes(value: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | st.none() | st.none() | value


@st.composite
def _starts(draw: st.DrawFn) -> Step:
    unit = draw(built)
    return {"kind": "unit-start", **unit, "scan_point": BUILT_AT[unit["part"]][0]}


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
    unit = draw(built)
    return {"kind": "marriage", "unit": unit, "scan_point": draw(st.sampled_from(BUILT_AT[unit["part"]]))}


@st.composite
def _removals(draw: st.DrawFn) -> Step:
    """Of what some earlier step put in; then it may be put into something else."""
    return {
        "kind": "removal",
        "scan_point": draw(st.just("RW") | st.sampled_from(list(SCAN_POINTS))),
        "of": draw(st.integers(0, 30)),
        "by": draw(st.sampled_from(["component", "component", "position", "both"])),
        "slot": draw(_sometimes(st.integers(1, 3))),
        "destination": draw(st.sampled_from(["stock", "stock", "stock", "scrap"])),
        "into": draw(_sometimes(built)),
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
    return {"kind": "lot-loading", "scan_point": point, "lot": lot, "position": position if stated else None}


@st.composite
def _receipts(draw: st.DrawFn) -> Step:
    part = draw(st.sampled_from(["ROTOR", "ROTOR", "CARTON", "SCREW", "SEAL", "MOTOR", "MOTOR-2"]))
    step = {"kind": "receipt", "part": part, "supplier": draw(st.sampled_from(["S1", "S2"]))}
    if part in LOTS:
        return {**step, "lot": draw(st.sampled_from(LOTS[part])), "quantity": draw(st.sampled_from([2, 50]))}
    serials = draw(st.lists(st.sampled_from(SERIALS[part]), min_size=1, unique=True))
    lot = "K1" if part == "ROTOR" and draw(st.booleans()) else None
    return {**step, "lot": lot, "serials": serials}


@st.composite
def _test_runs(draw: st.DrawFn) -> Step:
    return {
        "kind": "test-run",
        "unit": draw(built),
        "scan_point": draw(st.sampled_from(list(SCAN_POINTS))),
        "plan": "SAFETY",
        "instrument": draw(st.sampled_from(INSTRUMENTS)),
        "measurements": [{"characteristic": "VISUAL", "good": draw(st.booleans())}],
    }


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
    _holds(),
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
    ]
    first = {"SCREWS": ("SCREW", "S1"), "CLIPS": ("SCREW", "S2"), "SEALS": ("SEAL", "E1"), "CARTON": ("CARTON", "C1")}
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
    return [*goods, *loaded, *started]


@dataclass
class History:
    """Messages in the order in which they are sent, some of them together; and the moments that are asked about.

    `of` in a release is the place of its hold among those placed until then; the sender puts its number there.
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
    for step, how in steps:
        now = min(now + how["later"], len(INSTANTS) - 1)
        at = INSTANTS[now if how["at"] is None else how["at"]]
        for message in _written(step, put, history.messages):
            _say(history, message, how, at)
    return history


def _written(step: Step, put: list[tuple[Message, Any, str | None]], sent: list[Message]) -> Iterable[Step]:
    """The messages that a step becomes."""
    if step["kind"] == "marriage":
        put += [(step["unit"], one["item"], one.get("position")) for one in step.get("components", ())]
    elif step["kind"] == "removal":
        yield from _taken_out(step, put)
        return
    elif step["kind"] in ("repeat", "reuse"):
        if sent:
            again = sent[step["of"] % len(sent)]
            yield again if step["kind"] == "repeat" else {**again, "operator": "B3"}
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
        head = {"message_id": f"m{len(history.messages)}", "occurred_at": at}
        body = {name: value for name, value in said.items() if value is not None}
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
