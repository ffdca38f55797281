"""What the tests of containment cases share."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import httpx2

from api_tests.plant import CATALOGUE, Json, Station, facts, recorded
from api_tests.questions import asked
from partkin.actions.load_catalogue import load_catalogue
from partkin.store.database import Database

NDJSON = {"Content-Type": "application/x-ndjson"}


def opened(station: Station, case: str = "C1", **suspects: Any) -> Json:
    """A case is opened."""
    said: Json = {"title": "thread lock cracks", "suspects": suspects, "reason": "the supplier said so"}
    return recorded(station.post("cases", action="open", case=case, **said))


def turn(station: Station, action: str, case: str = "C1", **said: Any) -> httpx2.Response:
    """A case is frozen, closed or opened again."""
    return station.post("cases", action=action, case=case, **said)


def frozen(station: Station, case: str = "C1", **suspects: Any) -> Json:
    """A case is opened and frozen; the fact of the freeze."""
    opened(station, case, **suspects)
    fact: Json = facts(recorded(turn(station, "freeze", case)), "case frozen")[0]
    return fact


def things(station: Station, case: str = "C1") -> dict[str, Json]:
    """What a case lists, by serial number or lot."""
    items = asked(station, f"cases/{case}/things")["items"]
    return {thing.get("serial") or thing["lot"]: thing for thing in items}


def told(station: Station, name: str, case: str = "C1") -> dict[str, Any]:
    """One member of each thing that a case lists."""
    return {code: thing[name] for code, thing in things(station, case).items()}


def decide(
    station: Station, decision: str, *items: Json, case: str = "C1", mode: str = "ask", **said: Any
) -> httpx2.Response:
    """It is decided what becomes of listed things."""
    why = {"authority": "material review board", "reason": "looked at"}
    about: Json = {"case": case, "items": list(items), "decision": decision, "mode": mode}
    return station.post("case-decisions", **{**about, **why, **said})


CONCESSION = {"concession": "K-7", "signed_by": "B9"}
"""Whereby something may be used as it is."""


def despatch(station: Station, *contents: Json, shipment: str = "N1", consignee: str = "SHOP-1") -> None:
    """Items are loaded for a consignee and despatched."""
    recorded(station.ship("load", *contents, shipment=shipment, consignee=consignee))
    recorded(station.ship("despatch", shipment=shipment))


def together(station: Station, *messages: Json) -> list[Json]:
    """The answers to messages that are posted as one body."""
    body = "".join(f"{json.dumps(message)}\n" for message in messages)
    response = station.client.post("/v1/messages", content=body, headers=NDJSON)
    assert response.status_code == 200, response.text
    return [json.loads(line) for line in response.text.splitlines()]


def types(given: Iterable[Json]) -> list[str]:
    """The types of reasons or discrepancies, in order of the alphabet."""
    return sorted(one["type"].removeprefix("/problems/") for one in given)


def load_with_slack(store_url: str, pieces: int) -> None:
    """The plant's catalogue is loaded anew: where screws are taken, some pieces may still be of the lot before."""
    points = tuple(
        replace(one, changeover_slack=pieces) if one.scan_point == "L-20" else one for one in CATALOGUE.scan_points
    )
    database = Database(store_url)
    load_catalogue(database, replace(CATALOGUE, scan_points=points), operator="B1", now=0)
    database.close()
