"""What the tests of questions share."""

from __future__ import annotations

from typing import Any

from api_tests.plant import Json, Station


def asked(station: Station, address: str, **parameters: Any) -> Json:
    """The answer to a question, as JSON."""
    response = station.client.get(f"/v1/{address}", params=parameters)
    assert response.status_code == 200, response.text
    answer: Json = response.json()
    return answer


def pallet_of(station: Station, *serials: str) -> Json:
    """Dryers are built and packed, each in a box of its own, and the boxes go onto a pallet."""
    station.load_lots()
    return station.pallet(*(station.box(station.make_ready(serial)) for serial in serials))


def rotor_of(station: Station, serial: str) -> Json:
    """The rotor in the pump of a dryer."""
    tree = asked(station, "tree", part="DRYER", serial=serial)
    pump = next(child for child in tree["content"] if child["position"] == "PUMP")
    return {"part": "ROTOR", "serial": pump["content"][0]["serial"]}
