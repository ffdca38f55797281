"""Random histories, posted to the service on both engines, against the independent reckoning."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from itertools import cycle
from typing import Any

import httpx2
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from api_tests import servers
from api_tests.conftest import Stores
from api_tests.histories.factory import PARTS, PLANT, catalogue
from api_tests.histories.in_memory import InMemory, in_memory
from api_tests.histories.lists import FOREVER, Item, moment
from api_tests.histories.questions import Path
from api_tests.histories.reckoning import KNOWN_OF, KNOWN_REASONS, Reckoning
from api_tests.histories.strategies import LOTS, SERIALS, History, Message, alarms, histories
from api_tests.plant import differences
from partkin.actions.load_catalogue import load_catalogue
from partkin.store.database import Database

Json = dict[str, Any]

THOROUGH = bool(os.environ.get("PARTKIN_THOROUGH"))
"""Set to try many more, and longer, histories: hours instead of a minute."""

CATALOGUE = catalogue()
NDJSON = {"Content-Type": "application/x-ndjson"}

# -- playing a history


@dataclass
class Line:
    """A service to which a history is posted, and what it answered."""

    client: httpx2.Client
    store_url: str
    sent: dict[str, Message] = field(default_factory=dict)
    """By message_id."""
    first: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    """The first answer to each message_id: status and body."""
    rows: dict[str, list[Json]] = field(default_factory=dict)
    """The facts that made a row, by kind: what a later message can name."""

    def play(self, together: Iterable[list[Message]]) -> Iterator[tuple[Message, int, Json]]:
        """Send messages, alone or together; each new one, with status and answer, in the order of the journal."""
        for messages in together:
            whole = [self._numbered(message) for message in messages]
            for message, (status, body) in zip(whole, self._post(whole), strict=True):
                answer = json.loads(body)
                before = self.sent.setdefault(message["message_id"], message)
                if before != message:
                    assert (status, answer["type"]) == (422, "/problems/message-id-reused")
                elif message["message_id"] in self.first:
                    assert (status, body) == self.first[message["message_id"]]
                else:
                    self.first[message["message_id"]] = (status, body)
                    assert status in (201, 409), body
                    for fact in answer.get("facts", ()):
                        self.rows.setdefault(fact["fact"], []).append(fact)
                    yield message, status, answer

    def repeat_all(self) -> None:
        """Send every message once more, all together."""
        assert list(self.play([list(self.sent.values())])) == []

    def _numbered(self, message: Message) -> Message:
        """Of what an earlier message made, a message says the number or the name; and a correction says the truth."""
        said = {name: value for name, value in message.items() if name not in ("of", "among", "truth")}
        known = self.sent.get(message["message_id"])
        if known is not None:
            return {**known, **said}
        if message["kind"] == "correction":
            row = self._chosen(message["among"], message["of"])
            return {**said, "wrong": row["number"], **truth_of(row, message["truth"])}
        if message["kind"] == "hold" and message["action"] == "release":
            return {**said, "hold": self._chosen("held", message["of"])["number"]}
        if message["kind"] == "case-decision" and "of" in message:
            return {**said, "items": self._listed(message["case"], message["of"])}
        if message["kind"] == "inspection" and "of" in message:
            drawn = self.rows.get("sorting drawn", [{"drawn": [{"part": "DRYER-A", "serial": "A1"}]}])[-1]["drawn"]
            return {**said, "item": drawn[message["of"] % len(drawn)]}
        return said

    def _listed(self, case: str, which: Any) -> list[Json]:
        """Things that a case lists: all that are not settled, or the one at a place; else one that none lists."""
        response = self.client.get(f"/v1/cases/{case}/things")
        rows = response.json()["items"] if response.status_code == 200 else []
        if which == "all":
            rows = [row for row in rows if not row["settled"]]
        elif rows:
            rows = [rows[which % len(rows)]]
        return [name_of(row) for row in rows] or [{"part": "PALLET", "serial": "K2603003"}]

    def _chosen(self, kind: str, place: int) -> Json:
        rows = self.rows.get(kind, [{"number": 1}])
        return rows[-1 - place % len(rows)]

    def _post(self, messages: list[Message]) -> list[tuple[int, bytes]]:
        if len(messages) == 1:
            response = self.client.post(ADDRESSES[messages[0]["kind"]], json=messages[0])
            return [(response.status_code, response.content)]
        content = "\n".join(json.dumps(message) for message in messages)
        response = self.client.post("/v1/messages", content=content, headers=NDJSON)
        assert response.status_code == 200, response.text
        answers = []
        for line in response.content.splitlines():
            status = int(json.loads(line)["status"])
            answers.append((status, line.removeprefix(b'{"answer":').removesuffix(b',"status":%d}' % status)))
        return answers


def name_of(row: Mapping[str, Any]) -> Json:
    """The item of a row, as messages name it."""
    kind = "lot" if row.get("serial") is None else "serial"
    return {"part": row["part"], kind: row[kind]}


def truth_of(row: Json, said: Mapping[str, int]) -> Json:
    """What a correction says of the truth: something like what was recorded, or the same."""
    recorded = {
        "unit": row.get("parent") or row.get("item") or {"part": "DRYER-A"},
        "component": row.get("child") or {"part": "SCREW"},
        "lot": row.get("lot") or {"part": "SCREW"},
    }
    truth = {}
    for name, place in said.items():
        part = recorded[name]["part"]
        kind, codes = ("lot", LOTS[part]) if part in LOTS else ("serial", SERIALS[part])
        truth[name] = {"part": part, kind: codes[place % len(codes)]}
    return truth


ADDRESSES = {
    "unit-start": "/v1/units",
    "marriage": "/v1/marriages",
    "removal": "/v1/removals",
    "lot-loading": "/v1/lot-loadings",
    "receipt": "/v1/receipts",
    "test-run": "/v1/test-runs",
    "hold": "/v1/holds",
    "number-block": "/v1/number-blocks",
    "label-print": "/v1/labels",
    "disposition": "/v1/dispositions",
    "correction": "/v1/corrections",
    "lot-transfer": "/v1/lot-transfers",
    "calibration": "/v1/calibrations",
    "build-order": "/v1/build-orders",
    "packing": "/v1/packings",
    "shipment": "/v1/shipments",
    "customer-return": "/v1/customer-returns",
    "containment": "/v1/cases",
    "case-decision": "/v1/case-decisions",
    "notice": "/v1/notices",
    "sorting": "/v1/sortings",
    "inspection": "/v1/inspections",
    "stock-count": "/v1/stock-counts",
}


@contextmanager
def line(stores: Stores) -> Iterator[Line]:
    """A service over a fresh store with the plant's catalogue."""
    url = stores.migrated()
    try:
        database = Database(url)
        load_catalogue(database, CATALOGUE, operator="B1", now=0)
        database.close()
        with servers.running(url) as base_url, httpx2.Client(base_url=base_url) as client:
            yield Line(client, url)
    finally:
        stores.remove(url)


# -- asking both


@dataclass
class Asked:
    """The questions about a history, and the service's answers."""

    line: Line
    answers: list[Any] = field(default_factory=list)

    def ask(self, address: str, item: Item) -> Json:
        """Something about an item."""
        return self._kept(self.line.client.get(address, params={"part": item.part, item.kind: item.code}))

    def tree(self, item: Item, as_of: str | None, *, removed: bool) -> Json:
        """What is in an item."""
        asked: dict[str, str | bool] = {"part": item.part, item.kind: item.code, "removed": removed}
        if as_of is not None:
            asked["as_of"] = as_of
        response = self.line.client.get("/v1/tree", params=asked)
        return self._kept(response)

    def affected(self, suspects: Json, as_of: str | None, **known: int) -> Json:
        """The units that are affected."""
        asked = {"suspects": suspects} if as_of is None else {"suspects": suspects, "as_of": as_of}
        return self._kept(self.line.client.post("/v1/affected", json=asked, params=known))

    def listed(self, case: str) -> list[Json]:
        """All that a case lists."""
        told: list[Json] = self._kept(self.line.client.get(f"/v1/cases/{case}/things"))["items"]
        return told

    def records(self, lot: Item) -> list[Json]:
        """The records behind the balance of a lot."""
        asked = {"part": lot.part, "lot": lot.code, "format": "ndjson"}
        lines = self.line.client.get("/v1/mass-balance", params=asked).raise_for_status().text.splitlines()
        return [json.loads(line) for line in lines]

    def _kept(self, response: httpx2.Response) -> Json:
        assert response.status_code == 200, response.text
        answer: Json = response.json()
        self.answers.append(_without_our_clock(answer))
        return answer


OF_OUR_CLOCK = ("recorded_at", "seal")


def _without_our_clock(answer: Any) -> Any:
    """What the engines must answer alike: all but the moments at which they recorded it.

    A freeze seals what was recorded before, so the numbers of seals tell which posts came together.
    """
    if isinstance(answer, dict):
        return {name: _without_our_clock(value) for name, value in answer.items() if name not in OF_OUR_CLOCK}
    return [_without_our_clock(value) for value in answer] if isinstance(answer, list) else answer


def item_of(node: Mapping[str, Any]) -> Item | None:
    """The item that an answer names."""
    if node["part"] is None:
        return None
    kind = "serial" if node.get("serial") else "lot"
    return Item(node["part"], kind, node[kind])


def time_of(text: str | None) -> datetime:
    """The moment in an answer; what has not ended lasts for ever."""
    return FOREVER if text is None else moment(text)


Branch = tuple[Any, ...]
"""How an item is in its holder, and what is in it."""


def told_branches(node: Json) -> list[Branch]:
    """What the service says is in an item."""
    return sorted(
        (
            (
                child["position"],
                child["slot"] if child["started"] != child["ended"] else None,
                child["quantity"],
                item_of(child),
                time_of(child["started"]),
                time_of(child["ended"]),
                child["disputed"],
                child["certain"],
                sorted(map(str, map(item_of, child["or_lot"]))),
                told_branches(child),
            )
            for child in node["content"]
        ),
        key=repr,
    )


def reckoned_branches(rows: list[Json], as_of: datetime | None) -> list[Branch]:
    """What the reckoning says is in an item."""
    return sorted(
        (
            (
                row["position"],
                row["slot"] if row["started"] != row["ended"] else None,
                row["quantity"],
                row["child"],
                row["started"],
                row["ended"] if as_of is None or row["ended"] <= as_of else FOREVER,
                row["disputed"],
                row["certain"],
                sorted(map(str, row["or_lot"])),
                reckoned_branches(row["content"], as_of),
            )
            for row in rows
        ),
        key=repr,
    )


def require_tree(asked: Asked, reckoning: Reckoning, item: Item, as_of: str | None, *, removed: bool) -> None:
    """The service and the reckoning have the same in an item."""
    answer = asked.tree(item, as_of, removed=removed)
    told, at = told_branches(answer), None if as_of is None else moment(as_of)
    if at is None:
        counting = {run["plan"]: run["verdict"] for run in answer["tests"] if run["counts"]}
        assert (answer["state"], counting) == (reckoning.states[item], reckoning.counts(item)), item
    assert told == reckoned_branches(reckoning.tree(item, at, removed=removed), at), (item, as_of, removed)


def require_affected(asked: Asked, reckoning: Reckoning, suspects: Json, as_of: str | None) -> None:
    """The service and the reckoning name the same units, certain and possible apart, and a way to each."""
    answer = asked.affected(suspects, as_of)
    at = None if as_of is None else moment(as_of)
    told = {
        item_of(row): {"certain": certainty == "certain", "inside": row["inside"]}
        for certainty in ("certain", "possible")
        for row in answer[certainty]
    }
    assert told == reckoning.affected(suspects, at), (suspects, as_of)
    ways: dict[Item, list[Path]] = {}
    for path in reckoning.paths(suspects, at):
        ways.setdefault(path.unit, []).append(path)
    for row in [*answer["certain"], *answer["possible"]]:
        unit = item_of(row)
        assert unit is not None
        assert steps_told(row) in [steps_reckoned(path, at) for path in ways[unit]], (suspects, as_of, row)


def steps_told(row: Json) -> list[Any]:
    """The way from a suspect to a unit, as the service shows it."""
    return [
        (item_of(step["into"]), step["position"], time_of(step["started"]), time_of(step["ended"]))
        for step in row["path"]
    ]


def steps_reckoned(path: Path, as_of: datetime | None) -> list[Any]:
    """A way from a suspect to a unit, in the same form."""
    return [
        (
            row["parent"],
            row["position"],
            row["started"],
            row["ended"] if as_of is None or row["ended"] <= as_of else FOREVER,
        )
        for row in path.marriages
    ]


def require_place(asked: Asked, reckoning: Reckoning, item: Item) -> None:
    """The service and the reckoning agree where an item is, its state, and whether it may leave."""
    where = asked.ask("/v1/where", item)
    shipment = where["shipment"] and where["shipment"]["shipment"]
    told = {"state": where["state"], "inside": [item_of(row) for row in where["inside"]], "shipment": shipment}
    assert told == reckoning.where(item), item
    if PARTS[item.part].get("sold"):
        ship = asked.ask(f"/v1/units/{item.code}/clearance", item)["ship"]
        reasons = {reason["type"].removeprefix("/problems/") for reason in ship["reasons"]}
        assert (ship["clear"], reasons) == (not reasons, reckoning.may_not_ship(item)), item


# -- cases and balances


def require_frozen(reckoning: Reckoning, message: Message, answer: Json) -> None:
    """A freeze lists what the reckoning finds."""
    for fact in answer.get("facts", ()):
        if fact["fact"] == "case frozen":
            case = reckoning.cases[message["case"]]
            told = (fact["revision"], fact["things"], fact["sha256"])
            assert told == (case["revision"], len(case["frozen"]), case["sha256"]), (message, case["frozen"])
            case["seal"] = fact["seal"]


def require_sorted(reckoning: Reckoning, message: Message, answer: Json) -> None:
    """What is drawn for inspection is what anybody draws from the same units with the same seed."""
    for fact in answer.get("facts", ()):
        if fact["fact"] == "sorting drawn":
            row = reckoning.sortings[message["sorting"]]
            told = (fact["population"], [item_of(one) for one in fact["drawn"]])
            assert told == (row["population"], row["in_order"]), message


def require_cases(asked: Asked, reckoning: Reckoning, codes: Iterable[str]) -> None:
    """The service and the reckoning list the same things in some cases, with all that is said of each."""
    for code in sorted(reckoning.cases.keys() & {*codes}):
        told = asked.listed(code)
        names = [(row["part"], "lot" if row.get("serial") is None else "serial") for row in told]
        keys = [Item(part, kind, row[kind]) for (part, kind), row in zip(names, told, strict=True)]
        assert keys == sorted(keys)
        assert {item_of(row): _said_of(row) for row in told} == reckoning.said_of_all(code), code


SAID = "certainty suspect revision dropped_in because gone state left still affected decision settled held".split()
"""What an answer says of a thing that a case lists."""


def _said_of(row: Json) -> Json:
    return {name: row[name] for name in SAID}


def require_known_then(asked: Asked, reckoning: Reckoning) -> None:
    """What a case froze last is what the books as known at its seal give today."""
    for case in reckoning.cases.values():
        if case.get("seal") is not None:
            answer = asked.affected(case["suspects"], None, as_known_at=case["seal"])
            told = {item_of(row): word == "certain" for word in ("certain", "possible") for row in answer[word]}
            units = {item: how["certain"] for item, how in case["frozen"].items() if PARTS[item.part].get("sold")}
            assert told == units, case["suspects"]
            return


BUCKETS = "in_units_certain in_units_possible in_containers scrapped returned in_analysis in_stock unaccounted".split()


def require_balances(asked: Asked, reckoning: Reckoning) -> None:
    """The pieces of every lot add up, by the records too, and are where the reckoning has them."""
    for lot in sorted(item for item in reckoning.in_books() if item.kind == "lot"):
        answer = asked.ask("/v1/mass-balance", lot)
        told = {name: answer[name]["pieces"] for name in ("received", *BUCKETS)}
        assert told == reckoning.balance(lot), (lot, told, reckoning.balance(lot))
        assert told["received"] == sum(told[name] for name in BUCKETS), lot
        told["possibly_elsewhere"] = answer["possibly_elsewhere"]["pieces"]
        assert told["possibly_elsewhere"] == reckoning.elsewhere(lot), lot
        sums = Counter(dict.fromkeys(told, 0))
        for row in asked.records(lot):
            sums[row["bucket"]] += row["pieces"]
        assert sums == told, lot


# -- the test


def require_trees(asked: Asked, reckoning: Reckoning, moments: list[str]) -> None:
    """Everything that ever was in what is built here, and of every other one of them what is in it at a moment."""
    built = sorted(item for item in reckoning.items if PARTS[item.part].get("made"))
    first, second = moments
    for item, how in zip(built, cycle(((None, False), (first, False), (second, True))), strict=False):
        require_tree(asked, reckoning, item, None, removed=True)
        require_tree(asked, reckoning, item, how[0], removed=how[1])


def single_suspects(reckoning: Reckoning, moments: list[str]) -> Iterator[tuple[list[Json], str | None]]:
    """Each item that was ever in another, alone, now or at a moment; then all others together."""
    near = reckoning.near_changes()
    inside = {row["child"] for row in reckoning.marriages} | {item for others in near.values() for item in others}
    lots = {Item(item.part, "lot", lot) for item, lot in reckoning.items.items() if lot is not None}
    rest = []
    asked_at = cycle([None, moments[0], None, moments[1], None])
    for item, moment_asked in zip(sorted(lots.union(reckoning.items)), asked_at, strict=False):
        named = {"part": item.part, item.kind: item.code}
        if item in inside or item in lots:
            yield [named], moment_asked
        else:
            rest.append(named)
    if rest:
        yield rest, None


def require_agreement(played: Line, memory: InMemory, history: History, suspects: list[Json]) -> list[Any]:
    """Post a history, and hold every answer against the reckoning; the answers that another engine must give too."""
    reckoning = Reckoning(PLANT)
    answers: list[Any] = []
    asked = Asked(played, answers)
    memory.hold()
    for place, together in enumerate(history.together):
        if place == len(history.together) // 2:
            memory.hold()
        for message, status, answer in played.play([together]):
            foretold = reckoning.hear(message, status == 201, answer)
            given = answer["reasons"] if status == 409 else answer["discrepancies"]
            told = {reason["type"].removeprefix("/problems/") for reason in given}
            if "already-removed" in told:
                told.add("not-installed")
            known = KNOWN_REASONS | KNOWN_OF.get(message["kind"], frozenset())
            assert told & known == foretold & known, (message, answer, foretold)
            require_frozen(reckoning, message, answer)
            require_sorted(reckoning, message, answer)
            answers.append(_without_our_clock(answer))
        require_cases(asked, reckoning, (message["case"] for message in together if "case" in message))
    require_cases(asked, reckoning, reckoning.cases)
    require_known_then(asked, reckoning)
    require_balances(asked, reckoning)
    require_trees(asked, reckoning, history.moments)
    for item in sorted(item for item in reckoning.items if item.kind == "serial"):
        require_place(asked, reckoning, item)
    for named, as_of in single_suspects(reckoning, history.moments):
        require_affected(asked, reckoning, {"items": named}, as_of)
    for alarm in filter(reckoning.knows, suspects):
        for as_of in (None, history.moments[0]):
            require_affected(asked, reckoning, alarm, as_of)
    singles = list(single_suspects(reckoning, history.moments))[::12]
    named_in = list(filter(reckoning.knows, suspects))
    memory.require_the_same(
        [*zip(named_in, (None, history.moments[0], None), strict=False), *(({"items": one}, at) for one, at in singles)]
    )
    played.repeat_all()
    return asked.answers


@pytest.mark.timeout(100_000 if THOROUGH else 300)
@pytest.mark.filterwarnings("ignore:Generating overly large repr")
@settings(
    max_examples=2000 if THOROUGH else 8,
    derandomize=not THOROUGH,  # the suite plays the same histories each time; new ones are for the thorough run
    deadline=None,
    print_blob=True,
    phases=[phase for phase in Phase if THOROUGH or phase is not Phase.shrink],  # shrinking takes minutes
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)
@given(history=histories(120 if THOROUGH else 24), suspects=st.lists(alarms(), min_size=3, max_size=3))
def test_both_engines_answer_as_the_reckoning_does(
    sqlite_stores: servers.SQLiteStores,
    postgresql_stores: servers.PostgreSQLStores,
    history: History,
    suspects: list[Json],
) -> None:
    """Law 8: the same answer everywhere."""
    with line(sqlite_stores) as one, line(postgresql_stores) as other:
        with in_memory(one.store_url) as of_one, in_memory(other.store_url) as of_other:
            answers = require_agreement(one, of_one, history, suspects)
            assert answers == require_agreement(other, of_other, history, suspects)
        for played, stores in ((one, sqlite_stores), (other, postgresql_stores)):
            empty = stores.migrated()
            assert differences(played.store_url, empty) == []
            stores.remove(empty)
