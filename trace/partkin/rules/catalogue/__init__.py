"""The catalogue: what the plant builds, from which parts, on which route, tested how.

model      the rows, and looking things up in them
tables     how each kind of row is written: columns, cells, JSON
sheets     CSV files to rows and back
checks     what must hold of the whole; `part_checks` of the rules of one part
changes    what differs between two catalogues
"""

from partkin.rules.catalogue.model import (
    Alternate,
    Bill,
    Catalogue,
    CatalogueRow,
    Characteristic,
    Consignee,
    Instrument,
    Marking,
    Numbering,
    Part,
    Position,
    RouteStep,
    ScanPoint,
    Supplier,
    TestPlan,
    TraceLevel,
)

__all__ = [
    "Alternate",
    "Bill",
    "Catalogue",
    "CatalogueRow",
    "Characteristic",
    "Consignee",
    "Instrument",
    "Marking",
    "Numbering",
    "Part",
    "Position",
    "RouteStep",
    "ScanPoint",
    "Supplier",
    "TestPlan",
    "TraceLevel",
]
