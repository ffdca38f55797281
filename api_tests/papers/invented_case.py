"""A case at Fennbridge Works, as the papers get it: a capacitor lot in drive modules, these in dryers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from partkin.exports.papers.model import (
    BalanceLine,
    CaseEvent,
    CaseHead,
    CaseReport,
    LotBalance,
    LotUse,
    ModelFacts,
    NoticeLine,
    Plant,
    Production,
    SerialRange,
    SortingLine,
    SpreadEdge,
    SpreadNode,
    UnitLine,
)

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLANT = Plant("Fennbridge Works", ("1 Mill Lane", "Fennbridge"), "quality@fennbridge.example")


def head(status: str = "frozen") -> CaseHead:
    return CaseHead(
        case="CC-26-004",
        title="Capacitors of lot K26-2291 lose their capacitance",
        hazard="The drive module may overheat and burn.",
        action="Do not use the dryer; keep it unplugged and send the reply form back.",
        opened_at=START + 50 * HOUR,
        status=status,  # type: ignore[arg-type]
        revision=0 if status == "open" else 1,
        frozen_at=None if status == "open" else START + 51 * HOUR,
        seal=None if status == "open" else 212,
        list_sha256=None if status == "open" else "9f" * 32,
        suspected=("Any of these:", "  lot K26-2291 of CAP-470", "  DRV-301 built at L1-030 on 2 March 2026"),
        closing=EVENTS[-1] if status == "closed" else None,
    )


def unit(number: int) -> UnitLine:
    sent = number % 4 == 0
    return UnitLine(
        part="FW-HD8" if number % 5 else "FW-HD9",
        description="Heat-pump tumble dryer",
        serial=f"HD8{number:08}",
        certainty="possible" if number % 9 == 0 else "certain",
        state="shipped" if sent else "packed",
        made_on=date(2026, 3, 2) + timedelta(days=number // 500),
        consignee="SHOP-1" if sent else None,
        shipment="SH-26-0311" if sent else None,
        delivery_note="DN-88121" if sent else None,
        despatched_on=date(2026, 3, 5) if sent else None,
        decision="rework" if number % 3 == 0 else None,
    )


def units(number: int) -> list[UnitLine]:
    return [unit(one) for one in range(1, number + 1)]


USES = (
    LotUse("CAP-470", "K26-2291", "goods in, delivery LS-8841", START - 20 * HOUR, START - 20 * HOUR),
    LotUse("CAP-470", "K26-2291", "L1-030, feeder F12", START + HOUR, START + 9 * HOUR),
    LotUse("CAP-470", "K26-2291", "L1-030, feeder F13", START + 9 * HOUR, None),
)
PRODUCTION = tuple(
    Production(
        START + hour * HOUR, START + (hour + 1) * HOUR, 40, 30 if 2 < hour < 14 else 0, 5 if 1 < hour < 16 else 0
    )
    for hour in range(24)
)
NODES = (
    SpreadNode("lot", 0, "K26-2291", "CAP-470 Capacitor 470 µF", 412, 37),
    SpreadNode("drive", 1, "DRV-301", "Drive module", 412, 37),
    SpreadNode("hd8", 2, "FW-HD8", "Heat-pump tumble dryer, 8 kg", 322, 27),
    SpreadNode("hd9", 2, "FW-HD9", "Heat-pump tumble dryer, 9 kg", 90, 7),
    SpreadNode("shop-1", 3, "SHOP-1", "Marsh Lane Appliances", 150, 10),
    SpreadNode("shop-2", 3, "SHOP-2", "Old Quay White Goods and Household Machines", 0, 3),
    SpreadNode("plant", 3, "in the plant", "", 262, 24),
)
EDGES = (
    SpreadEdge("lot", "drive", 449),
    SpreadEdge("drive", "hd8", 349),
    SpreadEdge("drive", "hd9", 97),
    SpreadEdge("drive", "plant", 3),
    SpreadEdge("hd8", "shop-1", 160),
    SpreadEdge("hd8", "shop-2", 3),
    SpreadEdge("hd8", "plant", 186),
    SpreadEdge("hd9", "plant", 97),
)
BALANCE = LotBalance(
    "CAP-470",
    "K26-2291",
    START + 60 * HOUR,
    (
        # 4 612 + 38 + 50 + 295 + 5 = 5 000: reckoned by hand.
        BalanceLine("received", 5000, 100.0),
        BalanceLine("in units (certain)", 4612, 92.24),
        BalanceLine("scrapped", 38, 0.76),
        BalanceLine("returned to the supplier", 50, 1.0),
        BalanceLine("in stock", 295, 5.9),
        BalanceLine("unaccounted", 5, 0.1),
    ),
)
SORTING = SortingLine(
    "SO-1", "hypergeometric", 1000, 258, "3f9a6c1b77", 258, 0, 0.95, 0.01, 0.0099, "None was bad: verified good."
)
NOTICES = (
    NoticeLine("SHOP-1", "Marsh Lane Appliances", 160, date(2026, 3, 6), date(2026, 3, 9), 12, 148, "effective", True),
    NoticeLine("SHOP-2", "Old Quay White Goods", 3, date(2026, 3, 6), None, None, None, None, False),
)
MODEL = ModelFacts(
    "FW-HD8", "Heat-pump tumble dryer, 8 kg", "09520123456788", 349, 163, 180, 6, date(2026, 3, 2), date(2026, 3, 3),
    date(2026, 3, 5), date(2026, 3, 6), (SerialRange("FW-HD8", "HD899000001", "HD899000349", 349),),
    "On the rating plate inside the door; the two digits after HD8 are the year.",
)  # fmt: skip
EVENTS = (
    CaseEvent(START + 50 * HOUR, "B-2140", 5120, "Opened: the supplier's letter of 4 March."),
    CaseEvent(START + 51 * HOUR, "B-2140", 5133, "Frozen at seal 212, revision 1."),
    CaseEvent(START + 99 * HOUR, "B-0007", 5990, "All is accounted for; five pieces were swept up."),
)


def report(listed: Sequence[UnitLine], status: str = "frozen") -> CaseReport:
    return CaseReport(
        plant=PLANT,
        head=head(status),
        made_at=START + 100 * HOUR,
        counts={"packed": {"certain": 262, "possible": 24}, "shipped": {"certain": 150, "possible": 13}},
        units=listed,
        added=(("FW-HD8 HD899000400", "A correction of 5 March put a drive module of the lot into it."),),
        balances=(BALANCE,),
        uses=USES,
        production=PRODUCTION,
        nodes=NODES,
        edges=EDGES,
        sortings=(SORTING,),
        notices=NOTICES,
        effectiveness_level="C",
        models=(MODEL,),
        events=EVENTS,
    )


def empty_report() -> CaseReport:
    return CaseReport(PLANT, head("open"), START, {}, (), (), (), (), (), (), (), (), (), None, (), ())
