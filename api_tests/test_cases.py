"""What is told of containment cases: the list of them, one of them, and its list to the byte."""

from __future__ import annotations

import json
from hashlib import sha256

import rfc8785
from scipy.stats import beta, hypergeom

from api_tests.cases import CONCESSION, decide, despatch, frozen, opened, things, turn
from api_tests.plant import Json, Station, dryer, facts, lot_of, motor, reasons, recorded
from api_tests.questions import asked, pallet_of


def case_of(station: Station, case: str = "C1") -> Json:
    """A case as it is told."""
    return asked(station, f"cases/{case}")


def build(station: Station, *serials: str) -> None:
    """Dryers are started and get motor M-…."""
    for serial in serials:
        recorded(station.start(serial))
        recorded(station.marry(serial, "L-10", motor(f"M-{serial}")))


def frozen_lines(station: Station, **asked_for: int) -> str:
    """The list of a freeze, as text."""
    response = station.client.get("/v1/cases/C1/list", params=asked_for)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"].startswith("text/plain")
    return response.text


def sort(station: Station, sorting: str, **said: object) -> list[Json]:
    """A sorting is drawn; what is drawn."""
    answer = recorded(station.post("sortings", case="C1", sorting=sorting, **said))
    drawn: list[Json] = facts(answer, "sorting drawn")[0]["drawn"]
    return drawn


def inspect(station: Station, sorting: str, item: Json, *, good: bool = True) -> None:
    recorded(station.post("inspections", case="C1", sorting=sorting, item=item, good=good))


def test_cases_come_in_pages_and_by_status(station: Station) -> None:
    build(station, "D1", "D2", "D3")
    for place, case in enumerate(("C1", "A/2", "C3"), 1):
        opened(station, case, items=[motor(f"M-D{place}")])
    recorded(turn(station, "freeze", "A/2"))
    first = asked(station, "cases", limit=2)
    rest = asked(station, "cases", limit=2, cursor=first["next"])
    assert [row["case"] for row in (*first["items"], *rest["items"])] == ["C1", "A/2", "C3"]
    assert rest["next"] is None
    (row,) = asked(station, "cases", status="frozen")["items"]
    assert (row["case"], row["status"], row["revision"], row["listed"]) == ("A/2", "frozen", 1, 2)
    assert case_of(station, "A/2")["title"] == row["title"]
    assert station.client.get("/v1/cases", params={"status": "lost"}).status_code == 422
    for address in ("cases/C9", "cases/C9/list", "cases/C9/things", "cases/C1/list"):
        assert station.client.get(f"/v1/{address}").status_code == 404, address


def test_a_case_tells_what_it_suspects_lists_and_added(station: Station) -> None:
    build(station, "D1", "D2")
    fact = frozen(
        station, items=[motor("M-D1")], produced=[{"part": "MOTOR", "from": "2026-01-01", "to": "2026-01-31"}]
    )
    recorded(station.remove("D1", motor("M-D1")))
    recorded(station.start("D3"))
    added = station.post(
        "marriages", mode="tell", unit=dryer("D3"), scan_point="RW", components=[{"item": motor("M-D1")}]
    )
    told = case_of(station)
    assert told["suspects"]["items"] == [motor("M-D1")]
    assert any("M-D1" in line for line in told["suspects_in_words"])
    assert any("2026" in line for line in told["suspects_in_words"])
    (revision,) = told["revisions"]
    same = ("revision", "seal", "last_entry", "things", "sha256", "frozen_at", "suspects")
    wanted = {**fact, "frozen_at": fact["at"]}
    assert {name: revision[name] for name in same} == {name: wanted[name] for name in same}
    assert (revision["added"], revision["dropped"]) == (2, 0)
    by_kind = {kind: tuple(count.values()) for kind, count in told["counts"]["by_kind"].items()}
    nothing = dict.fromkeys(("subassemblies", "packaging", "lots"), (0, 0))
    assert by_kind == {"units": (2, 0), "components": (1, 0), **nothing}
    assert (told["counts"]["things"], told["counts"]["held"], told["counts"]["settled"]) == (3, 3, 0)
    assert told["decisions"] == {"none yet": 3}
    assert told["added"]["things"] == 1
    (thing,) = told["added"]["first"]
    assert (thing["serial"], thing["because"], thing["message"]) == ("D3", recorded(added)["entry"], "marriage")


def test_each_freeze_tells_what_it_added_and_dropped(station: Station) -> None:
    build(station, "D1", "D2", "D3")
    frozen(station, items=[motor("M-D1"), motor("M-D2")])
    for suspects in ([motor("M-D2"), motor("M-D3")], [motor("M-D1"), motor("M-D3")]):
        recorded(turn(station, "freeze", suspects={"items": suspects}, reason="other motors"))
    told = [(one["added"], one["again"], one["dropped"]) for one in case_of(station)["revisions"]]
    assert told == [(4, 0, 0), (2, 0, 2), (0, 2, 2)]


def test_the_list_of_a_freeze_hashes_to_what_was_said_whatever_came_since(station: Station) -> None:
    """The hash is reckoned with hashlib, over lines that the rfc8785 library makes anew of their values."""
    station.load_lots()
    build(station, "D1", "D2")
    recorded(station.marry("D1", "L-20", station.pump()))
    first = frozen(station, items=[motor("M-D1"), lot_of("SCREW", "S1")])
    lines = frozen_lines(station)
    assert sha256(lines.encode()).hexdigest() == first["sha256"]
    listed = [json.loads(line) for line in lines.splitlines()]
    assert lines == "".join(f"{rfc8785.dumps(one).decode()}\n" for one in listed)
    assert {one.get("serial") or one["lot"] for one in listed} == {"D1", "M-D1", "S1"} == set(things(station))
    recorded(station.remove("D1", motor("M-D1")))
    recorded(station.dispose(motor("M-D1"), "scrap"))
    second = facts(
        recorded(turn(station, "freeze", suspects={"items": [motor("M-D2")]}, reason="another one")), "case frozen"
    )[0]
    recorded(station.start("D4"))
    assert frozen_lines(station, revision=1) == lines
    assert sha256(frozen_lines(station, revision=2).encode()).hexdigest() == second["sha256"]
    assert frozen_lines(station) == frozen_lines(station, revision=2) != lines


def test_a_sorting_tells_what_it_shows_and_no_more(station: Station) -> None:
    """Reckoned with scipy.stats: the hypergeometric distribution, and Clopper and Pearson's bound by beta quantiles."""
    build(station, *(f"D{number}" for number in range(8)))
    frozen(station, items=[motor(f"M-D{number}") for number in range(8)])
    said = {"listed": "certain", "rule": "hypergeometric", "confidence": 0.9, "fraction": 0.25}
    drawn = sort(station, "SO-1", **said)
    inspect(station, "SO-1", drawn[0])
    (told,) = case_of(station)["sortings"]
    assert (told["conclusion"], told["inspected"], told["upper_bound"]) == ("open", 1, None)
    assert "shows nothing yet" in told["sentence"]
    for item in drawn[1:]:
        inspect(station, "SO-1", item)
    (told,) = case_of(station)["sortings"]
    assert (told["conclusion"], told["population"], told["bad"]) == ("good", 8, 0)
    # Were a quarter of the 8 bad, so many drawn would be without one of the 2 bad with this chance.
    missed = hypergeom(8, 2, len(drawn)).pmf(0)
    assert abs(told["confidence_reached"] - (1 - missed)) < 1e-12
    assert abs(told["upper_bound"] - beta.ppf(0.9, 1, len(drawn))) < 1e-12
    assert "does not show that none is bad" in told["sentence"]
    inspect(station, "SO-1", drawn[0], good=False)
    (told,) = case_of(station)["sortings"]
    assert (told["conclusion"], told["bad"], told["confidence_reached"]) == ("bad", 1, None)
    assert abs(told["upper_bound"] - beta.ppf(0.9, 2, len(drawn) - 1)) < 1e-12
    assert "clears none" in told["sentence"]
    for item in sort(station, "SO-2", listed="certain", rule="all"):
        inspect(station, "SO-2", item)
    assert case_of(station)["sortings"][1]["sentence"].startswith("All 8 units were inspected, and none was bad.")


def test_what_speaks_against_closing_is_what_a_close_is_refused_for(station: Station) -> None:
    pallet = pallet_of(station, "D1", "D2")
    despatch(station, pallet)
    assert opened(station, items=[motor("M-D1"), lot_of("CARTON", "C1")])
    (open_yet,) = case_of(station)["against_closing"]
    assert open_yet["type"] == "/problems/case-closed"
    recorded(turn(station, "freeze"))
    recorded(station.post("stock-counts", lot=lot_of("CARTON", "C1"), quantity=90))
    sort(station, "SO-1", listed="certain", part="DRYER", rule="all")
    refused = turn(station, "close", reason="all is well")
    against = case_of(station)["against_closing"]
    assert against == refused.json()["reasons"]
    assert reasons(refused) == ["not-accounted"] * 5
    (shop,) = case_of(station)["notices"]
    assert (shop["consignee"], shop["certain"], shop["possible"], shop["sent"]) == ("SHOP-1", 2, 0, None)
    recorded(station.post("notices", case="C1", action="sent", consignee="SHOP-1", how="letter"))
    recorded(station.post("notices", case="C1", action="answered", consignee="SHOP-1", on_hand=1, corrected=1))
    recorded(station.post("notices", case="C1", action="plan", level="A"))
    recorded(station.post("notices", case="C1", action="checked", consignee="SHOP-1", effective=True))
    told = case_of(station)
    (shop,) = told["notices"]
    assert (shop["sent"]["how"], shop["answered"]["corrected"], shop["checked"]["effective"]) == ("letter", 1, True)
    assert (shop["to_check"], told["checks"]["level"]) == (True, "A")
    for item in (dryer("D1"), dryer("D2")):
        inspect(station, "SO-1", item)
    recorded(decide(station, "use as is", *(_name(one) for one in things(station).values()), **CONCESSION))
    (left,) = case_of(station)["against_closing"]
    assert "8 pieces of CARTON lot C1" in left["detail"]
    recorded(turn(station, "close", reason="all is well", unaccounted="swept up"))
    recorded(turn(station, "reopen", reason="another letter"))
    told = case_of(station)
    assert [(one["turn"], one["unaccounted"]) for one in told["turns"]] == [("closed", "swept up"), ("reopened", None)]
    assert told["decisions"] == {"use as is": told["counts"]["things"]}


def _name(thing: Json) -> Json:
    return {name: thing[name] for name in ("part", "serial", "lot") if name in thing}
