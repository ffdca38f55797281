"""An invented recall of the invented plant."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from partkin.exports.papers.model import CaseHead, ConsigneeUnits, ModelFacts, Plant, SerialRange, UnitLine

MADE_AT = datetime(2026, 10, 3, 23, 30, tzinfo=UTC)
PLANT = Plant(
    "Fennbridge Works", ("Mill Lane 3", "FB4 2XX Fennbridge"), "recall@fennbridge.example, every day, 8 to 18 h"
)
HEAD = CaseHead(
    case="RC-2026-014",
    title="Drive boards of heat-pump tumble dryers",
    hazard="A capacitor can overheat. The dryer may catch fire.",
    action="Unplug the dryer. A technician replaces the drive board.",
    opened_at=datetime(2026, 9, 28, 9, 3, tzinfo=UTC),
    status="frozen",
    revision=1,
    frozen_at=datetime(2026, 9, 30, 16, 0, tzinfo=UTC),
    seal=212,
    list_sha256="9a" * 32,
    suspected=("Lot K77-0413 of CAP-22", "  in DRIVE-2"),
)
UNIT = UnitLine(
    part="FW-HD8",
    description="Heat-pump tumble dryer 8 kg",
    serial="DR260000000K",
    certainty="certain",
    state="shipped",
    made_on=date(2026, 2, 27),
    consignee="SHOP-1",
    shipment="S-1",
    delivery_note="DN-4400",
    despatched_on=date(2026, 3, 12),
    decision=None,
)


def units(count: int) -> ConsigneeUnits:
    """Every fifth one possible."""
    return ConsigneeUnits(
        "SHOP-1",
        "Harrow & Pell <Household>, Westmere",
        [
            replace(
                UNIT,
                serial=f"DR26{index:07d}K",
                certainty="possible" if index % 5 == 4 else "certain",
                made_on=date(2026, 2, 27) + timedelta(days=index // 90),
            )
            for index in range(count)
        ],
    )


def model(part: str, made: int, sold: int, in_plant: int, scrapped: int) -> ModelFacts:
    """With two ranges."""
    return ModelFacts(
        part,
        f"Dryer {part}",
        "09520123456788",
        made,
        sold,
        in_plant,
        scrapped,
        date(2026, 2, 27),
        date(2026, 3, 9),
        date(2026, 3, 12),
        None,
        [
            SerialRange(part, f"{part}-0017K", f"{part}-0120K", 104),
            SerialRange(part, f"{part}-0200K", f"{part}-0200K", 1),
        ],
        f"On the back of {part}, after SN. Characters 3 and 4 are the year.",
    )
