"""What a station may say: the form of every message, before anyone asks whether it is right.

One definition serves HTTP, NDJSON and the documentation. Nothing here knows the catalogue or the books.
"""

from __future__ import annotations

from partkin.rules.messages.building import (
    MOST_NUMBERS,
    MOST_ORDERS,
    BuildOrder,
    Component,
    Marriage,
    NumberBlock,
    Order,
    OrderedPart,
    Removal,
    UnitStart,
)
from partkin.rules.messages.containment import (
    MOST_DRAWN,
    CaseDecision,
    CleanPoint,
    Containment,
    Drill,
    DrillStep,
    Inspection,
    Notice,
    Sorting,
    StockCount,
)
from partkin.rules.messages.criteria import (
    Alarm,
    AnyOf,
    BuiltUnder,
    Measured,
    Produced,
    SerialRange,
    Suspects,
    Worked,
)
from partkin.rules.messages.deciding import Correction, Disposition, Hold
from partkin.rules.messages.forms import (
    LARGEST_WHOLE,
    MOST_COMPONENTS,
    Code,
    Digest,
    ItemName,
    NamedItem,
    Number,
    Quantity,
    Scan,
    Words,
    hexadecimal,
    printable,
)
from partkin.rules.messages.leaving import MOST_LABELS, CustomerReturn, LabelPrint, Packing, Shipment
from partkin.rules.messages.lots import MOST_SERIALS, LotLoading, LotTransfer, Portion, Receipt
from partkin.rules.messages.testing import MOST_ATTACHMENTS, MOST_MEASUREMENTS, Calibration, Measurement, TestRun

Message = (
    UnitStart
    | Marriage
    | Removal
    | LotLoading
    | Receipt
    | TestRun
    | Hold
    | NumberBlock
    | LabelPrint
    | Disposition
    | Correction
    | LotTransfer
    | Calibration
    | BuildOrder
    | Packing
    | Shipment
    | CustomerReturn
    | StockCount
    | Containment
    | CaseDecision
    | Sorting
    | Inspection
    | Notice
    | Drill
)
"""Any of them."""

__all__ = [
    "LARGEST_WHOLE",
    "MOST_ATTACHMENTS",
    "MOST_COMPONENTS",
    "MOST_DRAWN",
    "MOST_LABELS",
    "MOST_MEASUREMENTS",
    "MOST_NUMBERS",
    "MOST_ORDERS",
    "MOST_SERIALS",
    "Alarm",
    "AnyOf",
    "BuildOrder",
    "BuiltUnder",
    "Calibration",
    "CaseDecision",
    "CleanPoint",
    "Code",
    "Component",
    "Containment",
    "Correction",
    "CustomerReturn",
    "Digest",
    "Disposition",
    "Drill",
    "DrillStep",
    "Hold",
    "Inspection",
    "ItemName",
    "LabelPrint",
    "LotLoading",
    "LotTransfer",
    "Marriage",
    "Measured",
    "Measurement",
    "Message",
    "NamedItem",
    "Notice",
    "Number",
    "NumberBlock",
    "Order",
    "OrderedPart",
    "Packing",
    "Portion",
    "Produced",
    "Quantity",
    "Receipt",
    "Removal",
    "Scan",
    "SerialRange",
    "Shipment",
    "Sorting",
    "StockCount",
    "Suspects",
    "TestRun",
    "UnitStart",
    "Words",
    "Worked",
    "hexadecimal",
    "printable",
]
